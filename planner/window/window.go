// Package window works out when a patient must return after a visit.
//
// The return window is the intersection of four kinds of bounds: the dressing,
// the temporary restoration, the protocol's stopping point, and medical
// spacing. Each bound keeps its reason, its source and what passing it means.
// Days are offsets from the end of the visit (or from today, for a tooth that
// comes dressed from elsewhere); dates and zones live in the diary.
package window

import (
	"fmt"
	"slices"

	"github.com/visitwright/visitwright/planner/protocol"
	"github.com/visitwright/visitwright/planner/provenance"
)

// Side is the side of the window that a bound limits.
type Side string

// A bound limits the earliest or the latest day, or draws the target.
const (
	Earliest Side = "earliest"
	Target   Side = "target"
	Latest   Side = "latest"
)

// From says what a bound comes from.
type From string

// The kinds of bounds.
const (
	FromDressing  From = "dressing"
	FromTemporary From = "temporary"
	FromProtocol  From = "protocol"
	FromMedical   From = "medical"
	FromIntake    From = "intake" // a clock that ran before the tooth came here
)

// Bound is one limit with its reason.
type Bound struct {
	Side    Side            `json:"side"`
	From    From            `json:"from"`
	Days    int             `json:"days"` // offset; below 0: already passed
	Reason  string          `json:"reason"`
	Passing string          `json:"passing"` // what it means to be before the earliest or past the latest
	Mark    provenance.Mark `json:"mark"`
}

// Conflict explains bounds that leave no day, and which one gives way.
type Conflict struct {
	Earliest Bound  `json:"earliest"`
	Latest   Bound  `json:"latest"`
	Yields   From   `json:"yields"`
	Text     string `json:"text"`
}

// Action is what to do when the patient comes after a day.
type Action struct {
	AfterDay int             `json:"after_day"`
	ID       string          `json:"id"`   // rebook, re-dress, clean-again
	Text     string          `json:"text"` // what changes, and that it takes longer
	Longer   bool            `json:"longer"`
	Mark     provenance.Mark `json:"mark"`
}

// Window is the answer for one return visit.
type Window struct {
	// Needed is false when no clock runs: nothing was opened.
	Needed   bool    `json:"needed"`
	Earliest int     `json:"earliest"` // days
	Target   int     `json:"target"`
	Latest   int     `json:"latest"`
	Bounds   []Bound `json:"bounds"` // all that were considered, in order
	// Opens and Closes are the bounds that decide; nil when none does.
	Opens    *Bound    `json:"opens,omitempty"`
	Closes   *Bound    `json:"closes,omitempty"`
	Conflict *Conflict `json:"conflict,omitempty"`
	// Exception is the sentence to show beside an earliest day: it never holds
	// back a patient in pain or swelling. "" when there is no earliest day.
	Exception string `json:"exception,omitempty"`
	// Waived says why a minimum does not hold this patient back.
	Waived string `json:"waived,omitempty"`
	// Overdue: the latest day had passed before today.
	Overdue bool     `json:"overdue"`
	Past    []Action `json:"past"` // what changes after the latest day, by day
}

// Input is the state of the tooth at the end of a visit.
type Input struct {
	Stop      string // catalogue id of the state it was left in
	Diagnosis string // catalogue id
	// Medicament and Temporary are catalogue ids; "" takes "unknown".
	Medicament string
	Temporary  string
	// SealMM is the thickness of the temporary in mm; 0: not measured.
	SealMM float64
	// OpenApex: an immature root, for which calcium hydroxide has its own limit.
	OpenApex bool
	// Symptoms: pain or swelling. Every minimum is waived.
	Symptoms bool
	// Begun is set for a tooth dressed elsewhere.
	Begun *Begun
	// Prophylaxis: the patient needs antibiotic cover before dental treatment.
	Prophylaxis bool
	// CourseEndsIn: days until the end of an antibiotic course that the patient
	// is already taking, 0 to 90; nil: none. It matters with Prophylaxis only.
	CourseEndsIn *int
	// Spacing are the practice's own medical limits for this patient.
	Spacing []Spacing
}

// Begun is treatment begun elsewhere.
type Begun struct {
	// DaysAgo since it was dressed, 0 to 3650; -1: not known.
	DaysAgo int
}

// Spacing is a medical limit between visits that a clinician has set.
type Spacing struct {
	LeastDays int // 0: none
	MostDays  int // 0: none
	Reason    string
}

// LongestCourse is the longest a course of antibiotics may still run, in days;
// no visit waits for a longer one.
const LongestCourse = 90

const (
	longestAgo     = 3650 // days
	longestSpacing = 730  // days
)

// Compute works out the window. Errors are *protocol.InputError.
func Compute(c *protocol.Catalogue, in Input) (Window, error) {
	stop, d, err := in.check(c)
	if err != nil {
		return Window{}, err
	}
	if !stop.Dressed {
		return Window{Bounds: []Bound{}, Past: []Action{}}, nil
	}
	w := Window{Needed: true}
	if err := w.dressing(c, in, stop, d); err != nil {
		return Window{}, err
	}
	w.temporary(c, in)
	w.protocol(c, stop)
	w.medical(c, in)
	w.elapsed(c, in)
	w.settle(in.Symptoms)
	if w.Opens != nil && w.Opens.Days > 0 {
		w.Exception = "With pain or swelling the patient is seen at once: the earliest day does not hold."
	}
	w.past(c, in, stop)
	return w, nil
}

func (in *Input) check(c *protocol.Catalogue) (protocol.StopState, protocol.Diagnosis, error) {
	stop, err := c.Stop(in.Stop)
	if err != nil {
		return stop, protocol.Diagnosis{}, err
	}
	d, err := c.Diagnosis(in.Diagnosis)
	if err != nil {
		return stop, d, err
	}
	if in.Medicament == "" {
		in.Medicament = "unknown"
	}
	if in.Temporary == "" {
		in.Temporary = "unknown"
	}
	if _, err := c.Medicament(in.Medicament); err != nil {
		return stop, d, err
	}
	if _, err := c.Temporary(in.Temporary); err != nil {
		return stop, d, err
	}
	if in.SealMM < 0 || in.SealMM > 10 || in.SealMM != in.SealMM {
		return stop, d, &protocol.InputError{Field: "seal_mm", Problem: fmt.Sprintf("%g mm is no thickness of a temporary", in.SealMM), Want: "0 (not measured) to 10"}
	}
	if in.Begun != nil && (in.Begun.DaysAgo < -1 || in.Begun.DaysAgo > longestAgo) {
		return stop, d, &protocol.InputError{Field: "begun.days_ago", Problem: fmt.Sprintf("%d days", in.Begun.DaysAgo), Want: fmt.Sprintf("0 to %d, or -1 when it is not known", longestAgo)}
	}
	if in.CourseEndsIn != nil && (*in.CourseEndsIn < 0 || *in.CourseEndsIn > LongestCourse) {
		return stop, d, &protocol.InputError{Field: "course_ends_in", Problem: fmt.Sprintf("%d days", *in.CourseEndsIn), Want: fmt.Sprintf("0 to %d", LongestCourse)}
	}
	for i, s := range in.Spacing {
		at := fmt.Sprintf("spacing[%d]", i)
		if s.LeastDays < 0 || s.MostDays < 0 || s.LeastDays > longestSpacing || s.MostDays > longestSpacing || (s.MostDays > 0 && s.LeastDays > s.MostDays) {
			return stop, d, &protocol.InputError{Field: at, Problem: fmt.Sprintf("%d to %d days", s.LeastDays, s.MostDays), Want: fmt.Sprintf("0 to %d days, the least not above the most", longestSpacing)}
		}
		if s.Reason == "" {
			return stop, d, &protocol.InputError{Field: at + ".reason", Problem: "empty", Want: "why the visits are spaced"}
		}
	}
	return stop, d, nil
}

// settle takes the intersection, waives minimums for a patient in pain, and
// lets one bound give way when no day is left.
func (w *Window) settle(symptoms bool) {
	w.pick(nil)
	if symptoms {
		if w.Opens != nil && w.Opens.Days > 0 {
			w.Waived = fmt.Sprintf("pain or swelling: seen at once, the minimum of %s does not hold (%s)", days(w.Opens.Days), w.Opens.Reason)
		}
		w.pick(func(b Bound) bool { return b.Side == Earliest })
		w.Target = w.Earliest // at once, though no minimum may stand in the way any more
		return
	}
	if w.Opens == nil || w.Closes == nil || w.Earliest <= w.Latest {
		return
	}
	e, l := *w.Opens, *w.Closes
	yields := yielding(e, l)
	w.Conflict = &Conflict{Earliest: e, Latest: l, Yields: yields.From, Text: explain(e, l, yields)}
	w.pick(func(b Bound) bool { return b.Side == yields.Side && b.From == yields.From })
	// What stays may still leave no day: then the patient comes at the latest.
	if w.Earliest > w.Latest {
		w.Earliest = max(w.Latest, 0)
	}
	w.Target = min(max(w.Target, w.Earliest), max(w.Latest, w.Earliest))
}

// pick finds the deciding bounds among those that are not left out.
func (w *Window) pick(leftOut func(Bound) bool) {
	w.Opens, w.Closes = nil, nil
	var target *Bound
	for i := range w.Bounds {
		b := &w.Bounds[i]
		if leftOut != nil && leftOut(*b) {
			continue
		}
		switch b.Side {
		case Earliest:
			if w.Opens == nil || b.Days > w.Opens.Days {
				w.Opens = b
			}
		case Latest:
			if w.Closes == nil || b.Days < w.Closes.Days {
				w.Closes = b
			}
		case Target:
			if target == nil || b.Days < target.Days {
				target = b
			}
		}
	}
	w.Earliest, w.Latest = 0, 0
	if w.Opens != nil {
		w.Earliest = max(w.Opens.Days, 0)
	}
	if w.Closes != nil {
		w.Latest = w.Closes.Days
	}
	w.Overdue = w.Closes != nil && w.Latest < 0
	if w.Overdue { // the clock has run out: today
		w.Earliest, w.Target, w.Latest = 0, 0, 0
		return
	}
	w.Target = (w.Earliest + w.Latest) / 2
	if target != nil {
		w.Target = target.Days
	}
	w.Target = min(max(w.Target, w.Earliest), max(w.Latest, w.Earliest))
}

// yielding says which of two bounds that exclude each other gives way: a seal
// can be replaced by a stronger one, another class of antibiotic can be chosen,
// and a minimum serves the canal while a latest day protects it.
func yielding(e, l Bound) Bound {
	switch {
	case l.From == FromTemporary:
		return l
	case e.From == FromMedical:
		return e
	case l.From == FromMedical:
		return l
	}
	return e
}

func explain(e, l, yields Bound) string {
	text := fmt.Sprintf("not before %s (%s), but not after %s (%s): no day is left. ", days(e.Days), e.Reason, days(l.Days), l.Reason)
	switch {
	case yields.From == FromTemporary:
		return text + "The temporary gives way: choose a seal that lasts longer, or have it renewed by " + days(l.Days) + "."
	case yields.Side == Earliest && yields.From == FromMedical:
		return text + "The medical minimum gives way to the tooth: another class of antibiotic is the usual way; the prescriber decides."
	case yields.From == FromMedical:
		return text + "The medical limit was set for this patient and no day satisfies it: a clinician decides."
	}
	return text + "The minimum gives way: a tooth is not left past its latest day."
}

func days(n int) string {
	switch n {
	case 0:
		return "the same day"
	case 1:
		return "1 day"
	}
	return fmt.Sprintf("%d days", n)
}

// Contains reports whether a day, counted as the window counts, is inside.
func (w Window) Contains(day int) bool {
	return !w.Needed || day >= w.Earliest && day <= w.Latest
}

// After returns the action for a patient who comes on a day past the latest;
// ok is false when the day is not past it.
func (w Window) After(day int) (Action, bool) {
	if !w.Needed || (day <= w.Latest && !w.Overdue) {
		return Action{}, false
	}
	last := -1
	for i, a := range w.Past {
		if day > a.AfterDay {
			last = i
		}
	}
	if last < 0 {
		return Action{}, false
	}
	return w.Past[last], true
}

// Sources lists the bounds of one side, deciding one first.
func (w Window) Sources(side Side) []Bound {
	var out []Bound
	for _, b := range w.Bounds {
		if b.Side == side {
			out = append(out, b)
		}
	}
	slices.SortStableFunc(out, func(a, b Bound) int {
		if side == Earliest {
			return b.Days - a.Days
		}
		return a.Days - b.Days
	})
	return out
}
