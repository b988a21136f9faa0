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

//go:embed stopped.json
var stoppedFile []byte

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
	// Why is the reason of the latest day as reception reads it; the figure's
	// source says more, for whoever doubts it.
	Why string `json:"why,omitempty"`
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

// stopped is by when a stop in the middle of a treatment is decided about.
type stopped struct {
	Decide Figure `json:"decide_days"`
}

var stops = sync.OnceValues(func() (stopped, error) {
	var s stopped
	if err := json.Unmarshal(stoppedFile, &s); err != nil {
		return s, fmt.Errorf("limits after a stop: %w", err)
	}
	return s, nil
})

// DecideWithin is by when, in days, it is decided what becomes of a tooth whose
// treatment was stopped and in which nothing was placed that would set an
// earlier day.
func DecideWithin() (int, error) {
	s, err := stops()
	return s.Decide.days(), err
}
