package diary

import (
	"fmt"
	"time"

	"github.com/visitwright/visitwright/scheduler/civil"
)

// Continuity says whether one clinician should see the patient through.
type Continuity uint8

// The degrees of continuity.
const (
	AnyClinician Continuity = iota
	PreferSame
	RequireSame
)

// Urgency scales the cost of each day that the first visit waits.
type Urgency uint8

// The degrees of urgency. Pain or swelling is Urgent.
const (
	Routine Urgency = iota
	Soon
	Urgent
)

var urgencyFactor = [...]int{Routine: 1, Soon: 3, Urgent: 10}

// Suit is a time that suits the patient, week by week.
type Suit struct {
	Days WeekdaySet `json:"days"`
	civil.Span
	// Accompanied is set when somebody can come with the patient then.
	Accompanied bool `json:"accompanied,omitempty"`
}

// WeekdaySet is a set of weekdays: bit time.Weekday.
type WeekdaySet uint8

// EveryDay is all seven days.
const EveryDay WeekdaySet = 1<<7 - 1

// On returns the set of the given weekdays.
func On(days ...time.Weekday) WeekdaySet {
	var s WeekdaySet
	for _, d := range days {
		s |= 1 << d
	}
	return s
}

// Has reports whether the weekday is in the set.
func (s WeekdaySet) Has(d time.Weekday) bool { return s>>d&1 != 0 }

// Wishes are what the patient asked for. They are kept, not weighed.
type Wishes struct {
	NotBefore civil.Date `json:"not_before,omitzero"`
	NotAfter  civil.Date `json:"not_after,omitzero"`
	// Suits, when not empty, are the only times that will do: the appointment
	// lies wholly inside them.
	Suits []Suit `json:"suits,omitempty"`
	// Not are days that do not suit.
	Not []civil.DateRange `json:"not,omitempty"`
}

// Weights are the integer costs that rank offers. Only their ratios matter.
type Weights struct {
	WaitDay int // each day until a first visit without target, times the urgency's factor
	Early   int // each day before the target
	Late    int // each day after the target, or after the earliest day without one
	Change  int // each change of clinician, where the same one is preferred
	// A unit of usable capacity lost (see UsableCapacity), by kind of resource.
	Room, Clinician, Nurse, Unit int
}

// Ordinary are the weights used unless a practice sets its own. They are our
// modelling choice: with useful lengths of weight 1, a day of waiting counts as
// much as two appointments that no longer fit a clinician's day; a day beside
// the target as about half of a day of waiting, and later is a little worse than
// earlier because the dressing ages; a clinician's time is the scarcest, a
// nurse's the least.
var Ordinary = Weights{WaitDay: 20, Early: 8, Late: 10, Change: 60, Room: 4, Clinician: 10, Nurse: 2, Unit: 6}

// Request asks for sets of places.
type Request struct {
	// Now is the instant of asking; nothing begins before Now + Notice minutes.
	Now    time.Time
	Notice int
	// StartStep is from one possible start to the next, in minutes of the local
	// day on the grid, as the practice books; 0 is the grid.
	StartStep int
	// Anchor is the local day that the first visit's window counts from: the
	// day of the visit before it, or of the referral. Zero is the day of Now.
	Anchor civil.Date
	Visits []Visit
	// Chosen are places already picked for the first visits; the rest is sought
	// around them. Each holds its own resources.
	Chosen     []Place
	Continuity Continuity
	// Seen is the clinician of the visit before the first, for continuity.
	Seen    string
	Wishes  Wishes
	Urgency Urgency
	// FirstAvailable ranks by nothing but the minutes waited before each visit,
	// added up.
	FirstAvailable bool
	// Emergency may use the reserve.
	Emergency bool
	// Patient are the patient's other appointments.
	Patient []civil.Interval
	// Best is how many sets to return, 1 to MostOffers.
	Best int
	// OtherDays returns at most one set, the best, for each combination of days:
	// ten choices in place of one, five minutes apart, ten times.
	OtherDays bool
	Weights   Weights
}

// Limits of a request.
const (
	MostOffers     = 100
	MostVisits     = 8
	MostSuits      = 50
	MostNot        = 366
	MostPatient    = 1000
	LongestNotice  = 60 * 24 * 60 // minutes
	LargestWeight  = 10_000
	VisitsTogether = 2 // of one plan on one day
)

// FieldError names the field of a request that cannot be.
type FieldError struct {
	Field, Problem string
}

func (e *FieldError) Error() string { return e.Field + ": " + e.Problem }

func field(name, format string, args ...any) error {
	return &FieldError{name, fmt.Sprintf(format, args...)}
}

// Validate reports the first thing in the request that cannot be, as a
// *FieldError.
func (r *Request) Validate() error {
	if r.Now.IsZero() {
		return field("now", "missing")
	}
	if r.Notice < 0 || r.Notice > LongestNotice {
		return field("notice", "%d minutes, want 0 to %d", r.Notice, LongestNotice)
	}
	if r.StartStep < 0 || r.StartStep > 60 || r.StartStep%Grid != 0 || r.StartStep > 0 && 60%r.StartStep != 0 {
		return field("start_step", "%d minutes, want a divisor of 60 on the grid of %d", r.StartStep, Grid)
	}
	if len(r.Visits) < 1 || len(r.Visits) > MostVisits {
		return field("visits", "%d of them, want 1 to %d", len(r.Visits), MostVisits)
	}
	for i := range r.Visits {
		if err := r.Visits[i].validate(); err != nil {
			return field(fmt.Sprintf("visits[%d]", i), "%v", err)
		}
	}
	if len(r.Chosen) >= len(r.Visits) {
		return field("chosen", "%d places for %d visits, want fewer, so that something is left to find", len(r.Chosen), len(r.Visits))
	}
	if r.Continuity > RequireSame {
		return field("continuity", "unknown")
	}
	if int(r.Urgency) >= len(urgencyFactor) {
		return field("urgency", "unknown")
	}
	if r.Best < 1 || r.Best > MostOffers {
		return field("best", "%d, want 1 to %d", r.Best, MostOffers)
	}
	if err := r.Wishes.validate(); err != nil {
		return err
	}
	if len(r.Patient) > MostPatient {
		return field("patient", "%d appointments, want at most %d", len(r.Patient), MostPatient)
	}
	for i, p := range r.Patient {
		if !p.End.After(p.Start) {
			return field(fmt.Sprintf("patient[%d]", i), "want an end after the start")
		}
	}
	w := r.Weights
	for name, v := range map[string]int{"wait_day": w.WaitDay, "early": w.Early, "late": w.Late, "change": w.Change,
		"room": w.Room, "clinician": w.Clinician, "nurse": w.Nurse, "unit": w.Unit} {
		if v < 0 || v > LargestWeight {
			return field("weights."+name, "%d, want 0 to %d", v, LargestWeight)
		}
	}
	return nil
}

func (w *Wishes) validate() error {
	if !w.NotBefore.IsZero() && !w.NotAfter.IsZero() && w.NotAfter.Before(w.NotBefore) {
		return field("wishes.not_after", "%s, want %s or later, the day not before which", w.NotAfter, w.NotBefore)
	}
	if len(w.Suits) > MostSuits {
		return field("wishes.suits", "%d of them, want at most %d", len(w.Suits), MostSuits)
	}
	if len(w.Not) > MostNot {
		return field("wishes.not", "%d of them, want at most %d", len(w.Not), MostNot)
	}
	for i, s := range w.Suits {
		if s.Days == 0 || s.Days > EveryDay {
			return field(fmt.Sprintf("wishes.suits[%d].days", i), "want at least one weekday")
		}
		if err := civil.CheckSpans([]civil.Span{s.Span}, Grid); err != nil {
			return field(fmt.Sprintf("wishes.suits[%d]", i), "%v", err)
		}
	}
	for i, n := range w.Not {
		if err := n.Validate(); err != nil {
			return field(fmt.Sprintf("wishes.not[%d]", i), "%v", err)
		}
	}
	return nil
}
