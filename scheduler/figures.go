package scheduler

import (
	"embed"
	"encoding/json"
	"fmt"
	"maps"
	"slices"

	"github.com/visitwright/visitwright/planner/provenance"
)

//go:embed data/figures.json data/terms.json
var files embed.FS

// figure is a number with which a diary starts until the practice sets its own.
type figure struct {
	Value  float64         `json:"v"`
	Unit   string          `json:"unit"`
	Kind   provenance.Kind `json:"kind"`
	Source string          `json:"source"`
}

type figures struct {
	all   map[string]figure
	terms map[string][]string
}

var figureIDs = []string{
	"step", "onset.from", "onset.to", "access.from", "provisional", "if-needed.days", "emergency.minutes", "emergency.places",
	"wait.cost", "target.cost", "capacity.cost", "useful.short", "useful.middle", "useful.long",
}

func shippedFigures() (figures, error) {
	var out figures
	for name, into := range map[string]any{"data/figures.json": &out.all, "data/terms.json": &out.terms} {
		text, err := files.ReadFile(name)
		if err != nil {
			return out, err
		}
		if err := json.Unmarshal(text, into); err != nil {
			return out, fmt.Errorf("%s: %w", name, err)
		}
	}
	for _, id := range slices.Sorted(maps.Keys(out.all)) {
		f := out.all[id]
		if err := (provenance.Mark{Kind: f.Kind, Source: f.Source}).Validate(); err != nil {
			return out, fmt.Errorf("data/figures.json %s: %w", id, err)
		}
	}
	for _, id := range figureIDs {
		if _, ok := out.all[id]; !ok {
			return out, fmt.Errorf("data/figures.json: %s is missing", id)
		}
	}
	return out, nil
}

func (f figures) whole(id string) int { return int(f.all[id].Value) }

func (f figures) knows(catalogue, id string) bool { return slices.Contains(f.terms[catalogue], id) }
