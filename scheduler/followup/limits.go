package followup

import (
	_ "embed"
	"encoding/json"
	"fmt"
	"sync"

	"github.com/visitwright/visitwright/planner/provenance"
)

//go:embed restoration.json
var restorationFile []byte

// Figure is a number of days with its standing.
type Figure struct {
	Value float64         `json:"value"`
	Mark  provenance.Mark `json:"mark"`
}

func (f Figure) days() int { return int(f.Value) }

type limit struct {
	Target Figure  `json:"target_days"`
	Latest Figure  `json:"latest_days"`
	Flag   *Figure `json:"flag_days,omitempty"`
}

type restorationLimits struct {
	Core     limit `json:"core"`
	Coverage limit `json:"coverage"`
	Bonded   limit `json:"bonded"`
}

var limits = sync.OnceValues(func() (restorationLimits, error) {
	var l restorationLimits
	if err := json.Unmarshal(restorationFile, &l); err != nil {
		return l, fmt.Errorf("restoration limits: %w", err)
	}
	return l, nil
})
