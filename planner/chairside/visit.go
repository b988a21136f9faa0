package chairside

import (
	"slices"
	"time"

	"github.com/visitwright/visitwright/planner/anaesthetic"
	"github.com/visitwright/visitwright/planner/visits"
)

// Plan is what the running visit is read against.
type Plan struct {
	Tooth  string // ISO 3950 code, empty while not identified
	Model  visits.Model
	Begin  visits.State // state of the tooth before this visit
	Length int          // minutes booked
	// Canals known from earlier visits, in treatment order; empty at the first.
	Canals []Canal
	// Number of this visit in the model, from 1, and the option and tables of the
	// plan that was accepted; the answers are made under them.
	Number  int
	Option  visits.Option
	Lengths []visits.Length
	Table   []visits.Entry
}

// Phase of a visit.
type Phase string

const (
	NotBegun Phase = "not begun"
	Running  Phase = "running"
	Paused   Phase = "paused"
	Ended    Phase = "ended"
)

// Work is one step that was done.
type Work struct {
	Step, Stage, Canal string
	Minutes            float64
	// Caught: entered by a catch-up mark, so that its own minutes are not known.
	Caught bool
}

// Portion is a piece of work between two stopping points that is finished,
// with the minutes it took, pauses left out.
type Portion struct {
	Before, After visits.State
	Minutes       float64
	Events        []string // ids of the chair events met in it
	Works         int      // Visit.Work before this index was done by its end
	// Shared: entered together with the portion before; only their sum is known.
	Shared bool
}

// Visit is the state of a running visit, read from its marks.
type Visit struct {
	Phase Phase
	Began time.Time
	Last  time.Time // time of the latest mark
	// LastWork is the time of the latest mark of a step or a stage that is done.
	LastWork time.Time
	Ended    time.Time
	Paused   float64 // minutes rested so far, closed pauses only
	State    visits.State
	Canals   []Canal
	Work     []Work
	Start    float64 // minutes of the opening block, 0 while it runs
	Opened   bool    // the opening block is over
	// StartShared: nobody marked the end of the opening; it was divided from the
	// first portion as the plan foresees.
	StartShared bool
	Portion     []Portion
	// Running is the step in hand, and since when; empty when none was begun.
	Running      string
	RunningCanal string
	Since        time.Time
	Events       []Mark // chair events, taken-back ones left out
	Barred       bool   // filling is barred in this visit
	MustStop     string // why the visit must end; empty while it need not
	EndsCase     string // why treatment ends; empty while it goes on
	ConsentFor   []string
	Answers      Answers
	Given        []anaesthetic.Given
	Images       []Mark
	Closing      *Closing
	Logged       []Log    // entries of the visit log after the end
	SinceStop    []string // chair events since the last stopping point
	Warnings     []string

	marks  map[string]Mark
	paused time.Time
	// minutes rested up to the last work done, and up to the step in hand
	workPaused, sincePaused float64
}

// Used is the minutes since the patient was in the chair, at an instant.
func (v Visit) Used(now time.Time) float64 {
	switch {
	case v.Phase == NotBegun:
		return 0
	case v.Phase == Ended:
		return v.Ended.Sub(v.Began).Minutes()
	}
	return max(0, now.Sub(v.Began).Minutes())
}

// Minutes of the visit: of the log when somebody entered them there, else of
// the marks.
func (v Visit) Minutes() float64 {
	for _, l := range slices.Backward(v.Logged) {
		if l.Minutes > 0 {
			return l.Minutes
		}
	}
	return v.Used(v.Last)
}

// InPortion is the minutes spent so far on the portion in hand, pauses left
// out, at an instant: what the work may still take depends on it.
func (v Visit) InPortion(now time.Time) float64 {
	if v.Phase == NotBegun || v.Phase == Ended {
		return 0
	}
	spent := v.Start
	for _, p := range v.Portion {
		spent += p.Minutes
	}
	rest := v.Paused
	if v.Phase == Paused {
		rest += now.Sub(v.paused).Minutes()
	}
	return max(0, v.Used(now)-rest-spent)
}

// Canal returns the record of a canal.
func (v Visit) Canal(name string) (Canal, bool) {
	i := slices.IndexFunc(v.Canals, func(c Canal) bool { return c.Name == name })
	if i < 0 {
		return Canal{}, false
	}
	return v.Canals[i], true
}

// Found counts the canals in hand.
func (v Visit) Found() int {
	n := 0
	for _, c := range v.Canals {
		if c.inHand() {
			n++
		}
	}
	return n
}
