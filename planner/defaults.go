package planner

import (
	"embed"
	"encoding/json"
	"fmt"
	"maps"
	"slices"
	"sync"

	"github.com/visitwright/visitwright/planner/difficulty"
	"github.com/visitwright/visitwright/planner/provenance"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

//go:embed data/defaults.json
var defaultsFile embed.FS

// defaultFigure is a figure with which a practice starts.
type defaultFigure struct {
	Value  float64         `json:"v"`
	Unit   string          `json:"unit"`
	Kind   provenance.Kind `json:"kind"`
	Source string          `json:"source"`
}

func (d defaultFigure) mark() provenance.Mark { return provenance.Mark{Kind: d.Kind, Source: d.Source} }

var defaults = sync.OnceValues(func() (map[string]defaultFigure, error) {
	text, err := defaultsFile.ReadFile("data/defaults.json")
	if err != nil {
		return nil, err
	}
	var all map[string]defaultFigure
	if err := json.Unmarshal(text, &all); err != nil {
		return nil, fmt.Errorf("data/defaults.json: %w", err)
	}
	for _, id := range slices.Sorted(maps.Keys(all)) {
		if err := all[id].mark().Validate(); err != nil {
			return nil, fmt.Errorf("data/defaults.json %s: %w", id, err)
		}
	}
	for _, id := range []string{"grid.least", "grid.most", "grid.step", "cost.work", "cost.overrun", "cost.idle", "cost.visit", "cost.unused", "horizon"} {
		if _, ok := all[id]; !ok {
			return nil, fmt.Errorf("data/defaults.json: %s is missing", id)
		}
	}
	return all, nil
})

// withDefaults fills in what a practice has not set.
func withDefaults(s *vw.PracticeSettings) error {
	d, err := defaults()
	if err != nil {
		return err
	}
	if s.Grid == nil {
		s.Grid = &vw.LengthGrid{Least: int32(d["grid.least"].Value), Most: int32(d["grid.most"].Value), Step: int32(d["grid.step"].Value)}
	}
	if s.Cost == nil {
		s.Cost = &vw.Cost{Work: d["cost.work"].Value, Overrun: d["cost.overrun"].Value, Idle: d["cost.idle"].Value,
			Visit: d["cost.visit"].Value, Unused: d["cost.unused"].Value}
	}
	if s.Horizon == 0 {
		s.Horizon = int32(d["horizon"].Value)
	}
	if s.DifficultyEdition == "" {
		editions := difficulty.Editions()
		s.DifficultyEdition = string(editions[len(editions)-1]) // the newest
	}
	return nil
}
