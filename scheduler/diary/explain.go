package diary

import (
	"fmt"
	"slices"
	"sort"

	"github.com/visitwright/visitwright/scheduler/civil"
)

// Cause is why a request has no offer.
type Cause string

// The causes, from the plainest on.
const (
	// CauseMissing: the practice has nobody or nothing that could ever serve it.
	CauseMissing Cause = "missing"
	// CauseHours: even an empty diary would have no place, because of hours,
	// closures, absences or the request itself.
	CauseHours Cause = "hours"
	// CauseBooked: the places that would do are taken.
	CauseBooked Cause = "booked"
)

// Relaxation is something that, given up, leads to an offer.
type Relaxation struct {
	Constraint string `json:"constraint"` // one of the Give* names
	Visit      int    `json:"visit"`      // -1 when it concerns all visits
	Amount     int    `json:"amount"`     // the least that helps; 0 when it is all or nothing
	Unit       string `json:"unit"`       // "days", "minutes" or ""
	// Clinician is set when only a clinician may grant it, with the reason.
	Clinician bool   `json:"clinician"`
	Text      string `json:"text"`
	// Offer is the best set that it leads to.
	Offer Offer `json:"offer"`
}

// What can be given up.
const (
	GiveTimes       = "times-that-suit"
	GiveWeekdays    = "weekdays-that-suit"
	GiveDates       = "dates-that-do-not-suit"
	GiveNotAfter    = "not-after"
	GiveNotBefore   = "not-before"
	GiveOwn         = "patients-other-appointments"
	GiveNotice      = "notice"
	GiveSame        = "same-clinician"
	GiveClinician   = "chosen-clinician"
	GiveRoom        = "chosen-room"
	GiveLater       = "latest-day"
	GiveEarlier     = "earliest-day"
	GiveLength      = "length"
	GiveCompanion   = "companion"
	GiveReserve     = "reserve"
	mostDaysGiven   = 60
	mostWindowGiven = 28
	mostCut         = 30 // minutes
	leastVisit      = 15 // minutes: nothing shorter is proposed
)

// Explanation says why nothing fits, and what would help.
type Explanation struct {
	Cause   Cause    `json:"cause"`
	Missing []string `json:"missing,omitempty"`
	// Alone are the constraints that bind: each, given up by itself and by the
	// amount named, leads to an offer.
	Alone []Relaxation `json:"alone,omitempty"`
	// Together, when Alone is empty, is a set that leads to an offer when all of
	// it is given up, and no longer when any one of it is kept.
	Together []Relaxation `json:"together,omitempty"`
}

// knob is one constraint that can be loosened by one of several amounts, in
// rising order; a larger amount never has fewer offers than a smaller.
type knob struct {
	Relaxation
	amounts []int
	turn    func(r *Request, amount int)
	say     func(amount int) string
}

// Explain finds what stands in the way of a request that has no offer. For one
// that has offers the Explanation is zero.
func (m *Masks) Explain(req *Request) (Explanation, error) {
	var out Explanation
	if err := req.Validate(); err != nil {
		return out, err
	}
	one := *req
	one.Best = 1
	got, err := m.Search(&one)
	if err != nil || len(got.Offers) > 0 {
		return out, err
	}
	for i := len(req.Chosen); i < len(req.Visits); i++ {
		w := m.wanted(&req.Visits[i])
		out.Missing = append(out.Missing, m.nobody(i, &req.Visits[i], &w)...)
	}
	out.Cause = CauseMissing
	if len(out.Missing) == 0 {
		out.Cause = CauseHours
		if _, ok := m.emptied().best(&one); ok {
			out.Cause = CauseBooked
		}
	}
	knobs := m.knobs(&one)
	for _, k := range knobs {
		if r, ok := m.least(&one, k); ok {
			out.Alone = append(out.Alone, r)
		}
	}
	if len(out.Alone) == 0 {
		out.Together = m.together(&one, knobs)
	}
	return out, nil
}

// nobody words what a visit lacks in this practice whatever its hours.
func (m *Masks) nobody(i int, v *Visit, w *want) []string {
	var out []string
	for _, what := range w.missing() {
		switch what {
		case "clinician":
			out = append(out, fmt.Sprintf("visit %d: none of the clinicians asked for does %s", i+1, v.Protocol))
		case "room":
			out = append(out, fmt.Sprintf("visit %d: none of the rooms asked for exists", i+1))
		case "nurse":
			out = append(out, fmt.Sprintf("visit %d: the practice has no nurse", i+1))
		default:
			out = append(out, fmt.Sprintf("visit %d: the practice has no %s", i+1, what))
		}
	}
	if len(out) > 0 {
		return out
	}
	for _, k := range w.kinds {
		if !slices.ContainsFunc(k.serves, func(units []int) bool { return len(units) > 0 }) {
			out = append(out, fmt.Sprintf("visit %d: no %s can be used in a room that will do", i+1, k.name))
		}
	}
	return out
}

// emptied returns the masks with every booking taken away.
func (m *Masks) emptied() *Masks {
	out := *m
	out.days = make([]*day, len(m.days))
	for i, d := range m.days {
		e := d.changed()
		e.held = nil
		copy(e.free, d.open)
		for r := range e.free {
			e.keep(r)
		}
		e.sum(m.first)
		out.days[i] = e
	}
	return &out
}

func (m *Masks) best(req *Request) (Offer, bool) {
	got, err := m.Search(req)
	if err != nil || len(got.Offers) == 0 {
		return Offer{}, false
	}
	return got.Offers[0], true
}

// least finds the smallest amount that leads to an offer.
func (m *Masks) least(req *Request, k knob) (Relaxation, bool) {
	try := func(amount int) (Offer, bool) {
		r := req.clone()
		k.turn(r, amount)
		return m.best(r)
	}
	last := len(k.amounts) - 1
	offer, ok := try(k.amounts[last])
	if !ok {
		return Relaxation{}, false
	}
	at := sort.Search(last, func(i int) bool {
		_, ok := try(k.amounts[i])
		return ok
	})
	if at < last {
		offer, _ = try(k.amounts[at])
	}
	out := k.Relaxation
	out.Amount, out.Offer, out.Text = k.amounts[at], offer, k.say(k.amounts[at])
	if out.Unit == "" {
		out.Amount = 0
	}
	return out, true
}

// together gives up everything, and takes back one after the other what is not
// needed, beginning with what only a clinician may grant.
func (m *Masks) together(req *Request, knobs []knob) []Relaxation {
	given := make([]bool, len(knobs))
	try := func() (Offer, bool) {
		r := req.clone()
		for i, k := range knobs {
			if given[i] {
				k.turn(r, k.amounts[len(k.amounts)-1])
			}
		}
		return m.best(r)
	}
	for i := range given {
		given[i] = true
	}
	offer, ok := try()
	if !ok {
		return nil
	}
	for i := len(knobs) - 1; i >= 0; i-- {
		given[i] = false
		if o, ok := try(); ok {
			offer = o
		} else {
			given[i] = true
		}
	}
	var out []Relaxation
	for i, k := range knobs {
		if given[i] {
			r := k.Relaxation
			most := k.amounts[len(k.amounts)-1]
			r.Text, r.Offer = k.say(most), offer
			if r.Unit != "" {
				r.Amount = most
			}
			out = append(out, r)
		}
	}
	return out
}

func (r *Request) clone() *Request {
	out := *r
	out.Visits = slices.Clone(r.Visits)
	out.Wishes.Suits = slices.Clone(r.Wishes.Suits)
	return &out
}

// upTo returns step, 2*step ... and n at the end.
func upTo(n, step int) []int {
	var out []int
	for i := step; i < n; i += step {
		out = append(out, i)
	}
	if n > 0 {
		out = append(out, n)
	}
	return out
}

// knobs lists what the request leaves to loosen: the patient's wishes first,
// then what the practice asks for, then what only a clinician may decide.
func (m *Masks) knobs(req *Request) []knob {
	var out []knob
	add := func(code string, visit int, unit string, clinician bool, amounts []int, say func(int) string, turn func(*Request, int)) {
		if len(amounts) > 0 {
			out = append(out, knob{Relaxation{Constraint: code, Visit: visit, Unit: unit, Clinician: clinician}, amounts, turn, say})
		}
	}
	whole := []int{1}
	fixed := func(text string) func(int) string { return func(int) string { return text } }
	days := func(format string, visit ...any) func(int) string {
		return func(n int) string { return fmt.Sprintf(format, append(visit, count(n, "day"))...) }
	}
	w := req.Wishes
	if len(w.Suits) > 0 {
		add(GiveTimes, -1, "", false, whole, fixed("any time of day on the weekdays that suit"), func(r *Request, _ int) {
			for i := range r.Wishes.Suits {
				r.Wishes.Suits[i].Span = civil.Span{From: 0, To: civil.EndOfDay}
			}
		})
		add(GiveWeekdays, -1, "", false, whole, fixed("any weekday at the times that suit"), func(r *Request, _ int) {
			for i := range r.Wishes.Suits {
				r.Wishes.Suits[i].Days = EveryDay
			}
		})
	}
	if len(w.Not) > 0 {
		add(GiveDates, -1, "", false, whole, fixed("one of the dates that do not suit"), func(r *Request, _ int) { r.Wishes.Not = nil })
	}
	if !w.NotAfter.IsZero() {
		add(GiveNotAfter, -1, "days", false, upTo(mostDaysGiven, 1), days("%s later than asked"), func(r *Request, n int) { r.Wishes.NotAfter = r.Wishes.NotAfter.AddDays(n) })
	}
	if !w.NotBefore.IsZero() {
		add(GiveNotBefore, -1, "days", false, upTo(mostDaysGiven, 1), days("%s sooner than asked"), func(r *Request, n int) { r.Wishes.NotBefore = r.Wishes.NotBefore.AddDays(-n) })
	}
	if len(req.Patient) > 0 {
		add(GiveOwn, -1, "", false, whole, fixed("at the time of another appointment of this patient"), func(r *Request, _ int) { r.Patient = nil })
	}
	if req.Notice >= Grid {
		add(GiveNotice, -1, "minutes", false, upTo(req.Notice, max(Grid, req.Notice/24/Grid*Grid)),
			func(n int) string { return fmt.Sprintf("%s less notice", count(n, "minute")) }, func(r *Request, n int) { r.Notice = max(0, r.Notice-n) })
	}
	if req.Continuity == RequireSame {
		add(GiveSame, -1, "", false, whole, fixed("more than one clinician"), func(r *Request, _ int) { r.Continuity = PreferSame })
	}
	for i := len(req.Chosen); i < len(req.Visits); i++ {
		v := &req.Visits[i]
		if len(v.Clinicians) > 0 {
			add(GiveClinician, i, "", false, whole, fixed(fmt.Sprintf("another clinician for visit %d", i+1)), func(r *Request, _ int) { r.Visits[i].Clinicians = nil })
		}
		if len(v.Rooms) > 0 {
			add(GiveRoom, i, "", false, whole, fixed(fmt.Sprintf("another room for visit %d", i+1)), func(r *Request, _ int) { r.Visits[i].Rooms = nil })
		}
	}
	for i := len(req.Chosen); i < len(req.Visits); i++ {
		v := &req.Visits[i]
		if v.Window.Latest != NoLatest {
			add(GiveLater, i, "days", true, upTo(mostWindowGiven, 1), days("visit %d %s after its window", i+1),
				func(r *Request, n int) { r.Visits[i].Window.Latest = min(MostWindow, r.Visits[i].Window.Latest+n) })
		}
		if v.Window.Earliest > 0 {
			add(GiveEarlier, i, "days", true, upTo(min(v.Window.Earliest, mostWindowGiven), 1), days("visit %d %s before its window", i+1),
				func(r *Request, n int) { r.Visits[i].Window.Earliest -= n })
		}
		if cut := min(mostCut, v.Minutes-leastVisit); cut >= Grid {
			add(GiveLength, i, "minutes", true, upTo(cut, Grid), func(n int) string { return fmt.Sprintf("visit %d shorter by %s", i+1, count(n, "minute")) },
				func(r *Request, n int) { r.Visits[i] = r.Visits[i].shorter(n) })
		}
		if v.Companion {
			add(GiveCompanion, i, "", true, whole, fixed(fmt.Sprintf("visit %d without a companion", i+1)), func(r *Request, _ int) { r.Visits[i].Companion = false })
		}
	}
	if !req.Emergency && len(m.practice.Reserves) > 0 {
		add(GiveReserve, -1, "", true, whole, fixed("time kept for emergencies"), func(r *Request, _ int) { r.Emergency = true })
	}
	return out
}

// shorter returns the visit with n minutes cut off its work: what lies towards
// the end moves forward, and what no longer has time is dropped.
func (v Visit) shorter(n int) Visit {
	out := v
	out.Minutes -= n
	out.Parts = nil
	for _, p := range v.Parts {
		if p.From > v.Minutes/2 {
			p.From -= n
		}
		if p.To > v.Minutes/2 {
			p.To -= n
		}
		if p.To > p.From {
			out.Parts = append(out.Parts, p)
		}
	}
	return out
}
