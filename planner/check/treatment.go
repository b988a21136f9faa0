// Package check is an outside check on the planner's exact results: a sampler
// that knows nothing but the JSON of a plan. It has its own structs, its own
// reading of the model and its own code, draws continuous times from gonum's
// distributions, and shares nothing with the recursion that it checks.
//
// The tests that compare the two stand beside it; package obtain fetches the
// JSON.
package check

import (
	"bytes"
	"encoding/json"
	"fmt"
)

// Treatment is the model of one tooth's treatment as the plan's JSON carries
// it. Minutes are minutes, spreads are on the log scale.
type Treatment struct {
	Protocol string `json:"protocol"`
	Tooth    string `json:"tooth"`
	Canals   struct {
		P        []float64 `json:"p"`
		Expected int       `json:"expected"`
		Names    []string  `json:"names"`
	} `json:"canals"`
	Factor struct {
		CaseLogSD  float64 `json:"case_log_sd"`
		VisitLogSD float64 `json:"visit_log_sd"`
	} `json:"factor"`
	// Begin is where the treatment stands before the first visit.
	Begin  Standing `json:"begin"`
	Start  Block    `json:"start"`
	Stages []Stage  `json:"stages"`
	Stops  []Stop   `json:"stops"`
	Cost   struct {
		Work    float64 `json:"work"`
		Overrun float64 `json:"overrun"`
		Idle    float64 `json:"idle"`
		Visit   float64 `json:"visit"`
		Unused  float64 `json:"unused"`
	} `json:"cost"`
	Grid struct {
		Least int `json:"least"`
		Most  int `json:"most"`
		Step  int `json:"step"`
	} `json:"grid"`
	Bear struct {
		Minutes int     `json:"minutes"`
		Chance  float64 `json:"chance"`
	} `json:"bear"`
	Horizon int    `json:"horizon"`
	Cap     int    `json:"cap"`
	Clock   string `json:"clock"`
}

// Standing is where a treatment stands at a stopping point: stages done, canals
// done in a stage that may stop after each canal, canals found.
type Standing struct {
	Stage int `json:"stage"`
	Canal int `json:"canal"`
	Found int `json:"found"`
}

// Block is work without a stopping point inside.
type Block struct {
	Once     []onceStep  `json:"once"`
	PerCanal []canalStep `json:"per_canal"`
	Events   []event     `json:"events"`
	Contact  float64     `json:"contact"`
	Overlaps []string    `json:"overlaps"`
}

type onceStep struct {
	ID string `json:"id"`
	Law
}

type canalStep struct {
	ID      string    `json:"id"`
	Medians []float64 `json:"medians"` // by rank
	LogSD   float64   `json:"log_sd"`
	Scaled  bool      `json:"scaled"`
}

type event struct {
	ID          string  `json:"id"`
	PerCanal    bool    `json:"per_canal"`
	Probability float64 `json:"probability"`
	Minutes     Law     `json:"minutes"`
	BarsFilling bool    `json:"bars_filling"`
}

// Law is the law of one duration.
type Law struct {
	Median float64 `json:"median"`
	LogSD  float64 `json:"log_sd"`
	Scaled bool    `json:"scaled"`
}

// Stage is the work between two stopping points.
type Stage struct {
	ID             string  `json:"id"`
	Locates        bool    `json:"locates"`
	Work           Block   `json:"work"`
	Discovery      float64 `json:"discovery"`
	StopAfterCanal bool    `json:"stop_after_canal"`
	Fills          bool    `json:"fills"`
	Gate           *Gate   `json:"gate,omitempty"`
}

// Gate is the check whether the tooth is ready for the stage that it guards.
type Gate struct {
	FirstVisit float64 `json:"first_visit"`
	AfterDress float64 `json:"after_dress"`
	Check      Law     `json:"check"`
}

// Stop is a state of the tooth in which a visit may end.
type Stop struct {
	ID      string `json:"id"`
	Allowed bool   `json:"allowed"`
	End     Block  `json:"end"`
	Resume  Block  `json:"resume"`
}

// clockRule is the only rounding rule the sampler knows.
const clockRule = "nearest-minute"

// ReadTreatment reads a model. A field that the sampler does not know is an
// error: what it does not simulate it must not pass over.
func ReadTreatment(from []byte) (*Treatment, error) {
	var t Treatment
	if err := readStrict(from, &t); err != nil {
		return nil, err
	}
	return &t, t.known()
}

// known reports what the sampler cannot simulate.
func (t *Treatment) known() error {
	if t.Clock != clockRule {
		return fmt.Errorf("clock rule %q: the sampler knows %q", t.Clock, clockRule)
	}
	if len(t.Stops) != len(t.Stages)+1 {
		return fmt.Errorf("%d stops for %d stages: want one more", len(t.Stops), len(t.Stages))
	}
	return nil
}

func readLoose(from []byte, into any) error {
	if err := json.Unmarshal(from, into); err != nil {
		return fmt.Errorf("reading the answer's JSON: %w", err)
	}
	return nil
}

func readStrict(from []byte, into any) error {
	d := json.NewDecoder(bytes.NewReader(from))
	d.DisallowUnknownFields()
	if err := d.Decode(into); err != nil {
		return fmt.Errorf("reading the plan's JSON: %w", err)
	}
	return nil
}
