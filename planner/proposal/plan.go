// Package proposal turns an assessment into a plan: treatment options side by
// side with odds and reasons, one recommended, the return window of every
// further visit, what a further canal would change, and a sheet for each visit.
//
// It is pure and deterministic. Odds of minutes are never a clinical go-ahead:
// whether a tooth may be filled is answered in the chair, by the ready-to-fill
// check. The tool advises, the clinician decides.
package proposal

import (
	"github.com/visitwright/visitwright/planner/anatomy"
	"github.com/visitwright/visitwright/planner/chairtime"
	"github.com/visitwright/visitwright/planner/difficulty"
	"github.com/visitwright/visitwright/planner/protocol"
	"github.com/visitwright/visitwright/planner/provenance"
	"github.com/visitwright/visitwright/planner/visits"
	"github.com/visitwright/visitwright/planner/window"
)

// ModelVersion names the mathematics and rules that made a plan.
const ModelVersion = "plan-1"

// Plan is the proposal for one tooth.
type Plan struct {
	Tooth      string             `json:"tooth"`       // ISO 3950
	ToothLabel string             `json:"tooth_label"` // notation and words
	Protocol   string             `json:"protocol"`
	Title      string             `json:"title"` // the treatment in words
	Diagnosis  protocol.Diagnosis `json:"diagnosis"`

	Difficulty difficulty.Result `json:"difficulty"`
	// ConsiderReferral shows only when the level asks for it and the clinician
	// wants to see it.
	ConsiderReferral bool           `json:"consider_referral"`
	Canals           anatomy.Belief `json:"canals"`

	Options        []Option  `json:"options"`
	Recommended    string    `json:"recommended"`    // option id; "" when none can be planned
	Recommendation string    `json:"recommendation"` // why that one
	Further        []Further `json:"further"`
	Stops          []Stop    `json:"stops"`
	// Intake is the window of the first visit when a clock already runs.
	Intake   *window.Window `json:"intake,omitempty"`
	Cautions []Caution      `json:"cautions"`
	Unknown  []string       `json:"unknown"` // criteria that would change minutes and were not assessed

	Trace    protocol.Trace `json:"trace"`
	Versions Versions       `json:"versions"`
}

// Versions say what made the figures.
type Versions struct {
	Model       string `json:"model"`
	Data        string `json:"data"`
	Calibration string `json:"calibration"`
}

// Odds are a chance and its words.
type Odds struct {
	P     float64 `json:"p"`
	Words string  `json:"words"` // "8 in 10 finish on time"
}

// Option is one way of doing the treatment.
type Option struct {
	ID       string `json:"id"` // one-visit, two-visits, three-visits
	Title    string `json:"title"`
	Earliest int    `json:"earliest_filling_visit"`
	// Strength is the strongest objection among the reasons.
	Strength Strength `json:"strength"`
	Feasible bool     `json:"feasible"`
	// Because says why it cannot be planned; "" when it can.
	Because string   `json:"infeasible_because,omitempty"`
	Reasons []Reason `json:"reasons"`

	Visits         []Visit        `json:"visits"`
	Complete       []Odds         `json:"complete"` // by visit i+1
	Unfinished     float64        `json:"unfinished"`
	ExpectedVisits float64        `json:"expected_visits"`
	FurtherVisits  float64        `json:"expected_further_visits"` // after the first
	Minutes        chairtime.Dist `json:"minutes"`                 // in the chair over all visits
	MeanMinutes    float64        `json:"mean_minutes"`
	Cost           float64        `json:"cost"`

	// Model and Result are complete: they let anyone simulate the option again.
	Model  *visits.Model  `json:"model,omitempty"`
	Result *visits.Result `json:"result,omitempty"`
}

// Visit is one appointment of an option.
type Visit struct {
	Number  int            `json:"number"`
	Kind    string         `json:"kind"` // protocol id
	Aim     string         `json:"aim"`
	Length  int            `json:"length"` // minutes to book
	OnTime  Odds           `json:"on_time"`
	Needed  Odds           `json:"needed"`
	Minutes chairtime.Dist `json:"minutes"`
	Overrun float64        `json:"overrun"`  // expected minutes past the end
	Idle    float64        `json:"idle"`     // expected minutes booked and not used
	TooLong float64        `json:"too_long"` // chance of lasting longer than the patient bears; 0 without a limit
	// Window counts from the end of the visit before; nil for the first.
	Window *window.Window `json:"window,omitempty"`
	From   string         `json:"from,omitempty"` // the state from which the window counts
}

// Strength is how strongly a rule speaks.
type Strength string

// The four strengths. Few rules forbid.
const (
	Forbids        Strength = "forbids"
	AdvisesAgainst Strength = "advises-against"
	Neutral        Strength = "neutral"
	Favours        Strength = "favours"
)

// Reason is a rule that speaks for or against an option.
type Reason struct {
	Rule     string          `json:"rule"`
	Strength Strength        `json:"strength"`
	Text     string          `json:"text"`
	Mark     provenance.Mark `json:"mark"`
}

// Further is what one more canal than expected would change, under the
// recommended option.
type Further struct {
	Canals  int     `json:"canals"`
	Name    string  `json:"name"`
	Words   string  `json:"words"`
	Odds    Odds    `json:"odds"`
	Minutes float64 `json:"minutes"` // further minutes in the chair, on average
	Lengths []int   `json:"lengths"` // appointment lengths had it been known beforehand
	// Complete by visit i+1 with the lengths as booked, given that it is found.
	Complete []Odds `json:"complete"`
	Text     string `json:"text"`
}

// Stop is a stopping point and what ending a visit there means.
type Stop struct {
	ID      string         `json:"id"`
	Name    string         `json:"name"`
	Rule    string         `json:"rule"`
	Allowed bool           `json:"allowed"` // may be chosen; otherwise only forced
	Odds    Odds           `json:"odds"`    // that a first visit of the recommended option ends there
	Window  *window.Window `json:"window,omitempty"`
	Text    string         `json:"text"`
}

// Caution is something the clinician must know.
type Caution struct {
	ID   string          `json:"id"`
	Text string          `json:"text"`
	Mark provenance.Mark `json:"mark"`
}

// Option returns an option by its id.
func (p Plan) Option(id string) (Option, bool) {
	for _, o := range p.Options {
		if o.ID == id {
			return o, true
		}
	}
	return Option{}, false
}
