package diary

import (
	"time"

	"github.com/visitwright/visitwright/scheduler/civil"
)

// Place is one visit in the diary: a start and everything it holds.
type Place struct {
	Visit     int             `json:"visit"` // index in the request's visits
	Day       civil.Date      `json:"day"`
	Local     civil.LocalTime `json:"local"` // the start as the wall shows it
	Chair     civil.Interval  `json:"chair"` // the patient's time
	Clinician string          `json:"clinician"`
	Room      string          `json:"room"`
	Nurse     string          `json:"nurse,omitempty"` // "" when the visit needs none
	Units     []UnitUse       `json:"units,omitempty"`
	Holds     []Hold          `json:"holds"`
	// Cost of the place in the order of its parts; they sum to Cost.Sum().
	Cost Cost `json:"cost"`
	// Days since the visit before it, or since the anchor.
	Days int `json:"days"`
	// FromReserve is set when the place uses time kept for emergencies.
	FromReserve bool `json:"from_reserve,omitempty"`
}

// UnitUse is the unit taken of a kind of equipment.
type UnitUse struct {
	Kind string `json:"kind"`
	ID   string `json:"id"`
}

// Cost is what an offer is ranked by, in the units of Weights. With
// FirstAvailable it is minutes of waiting, in Wait alone.
type Cost struct {
	Wait     int `json:"wait"`
	Target   int `json:"target"`
	Change   int `json:"change"`
	Capacity int `json:"capacity"`
}

// Sum is the whole cost.
func (c Cost) Sum() int { return c.Wait + c.Target + c.Change + c.Capacity }

// Offer is a set of places, one for each visit that was not chosen already.
type Offer struct {
	Places  []Place  `json:"places"`
	Cost    Cost     `json:"cost"`
	Reasons []Reason `json:"reasons"`
}

// ReasonCode says what a Reason is about.
type ReasonCode string

// The reasons that are given for an offer.
const (
	ReasonWait      ReasonCode = "wait"      // Figure days until the first visit
	ReasonTarget    ReasonCode = "target"    // Figure days from the target, negative is earlier
	ReasonSame      ReasonCode = "same"      // one clinician throughout
	ReasonChange    ReasonCode = "change"    // Figure changes of clinician
	ReasonCapacity  ReasonCode = "capacity"  // Figure minutes of the longest useful appointment that no longer fits
	ReasonNoLoss    ReasonCode = "no-loss"   // fills a gap without costing another appointment
	ReasonReserve   ReasonCode = "reserve"   // uses time kept for emergencies
	ReasonFirstFree ReasonCode = "first"     // nothing sooner
	ReasonLatest    ReasonCode = "last-days" // Figure days of the window left after this visit, 0 to 2
)

// Reason is one thing that speaks for or against an offer.
type Reason struct {
	Code   ReasonCode `json:"code"`
	Visit  int        `json:"visit"` // -1 when it is about all visits
	Figure int        `json:"figure"`
	Text   string     `json:"text"`
}

func interval(start time.Time, from, to int) civil.Interval {
	return civil.Interval{
		Start: start.Add(time.Duration(from) * time.Minute),
		End:   start.Add(time.Duration(to) * time.Minute),
	}
}
