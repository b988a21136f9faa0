package diary

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/visitwright/visitwright/scheduler/civil"
)

// Warning is one thing that is wrong with a place chosen by hand.
type Warning struct {
	Code WarningCode `json:"code"`
	// Refused is set when it cannot be booked like this at all; Clinician when
	// only a clinician may override it, with the reason. Else reception decides.
	Refused   bool `json:"refused"`
	Clinician bool `json:"clinician"`
	Resource  *Ref `json:"resource,omitempty"`
	// Figure is days for a window, minutes of overlap for what is taken.
	Figure int    `json:"figure"`
	Text   string `json:"text"`
}

// WarningCode says what a Warning is about.
type WarningCode string

// The warnings.
const (
	WarnGrid        WarningCode = "off-grid"
	WarnClock       WarningCode = "clock-change"
	WarnMidnight    WarningCode = "past-midnight"
	WarnRange       WarningCode = "outside-diary"
	WarnPast        WarningCode = "in-the-past"
	WarnNotice      WarningCode = "short-notice"
	WarnClosed      WarningCode = "closed"
	WarnHours       WarningCode = "outside-hours"
	WarnTaken       WarningCode = "taken"
	WarnReserve     WarningCode = "reserve"
	WarnProtocol    WarningCode = "not-this-protocol"
	WarnRoom        WarningCode = "equipment-not-in-room"
	WarnWanted      WarningCode = "not-as-asked"
	WarnTooSoon     WarningCode = "before-window"
	WarnTooLate     WarningCode = "after-window"
	WarnOwn         WarningCode = "patient-elsewhere"
	WarnWish        WarningCode = "does-not-suit"
	WarnContinuity  WarningCode = "other-clinician"
	WarnLowerBlocks WarningCode = "two-lower-blocks"
)

// ByHand is a start that somebody picked, with the people and things for it.
type ByHand struct {
	Visit     int // index in the request's visits
	Local     civil.LocalTime
	Clinician string
	Room      string
	Nurse     string
	Units     []UnitUse
}

// PlaceByHand says what is wrong with a place that was picked by hand, and
// returns it as a Place when nothing refuses it. The request gives the visit,
// its window, the chosen places before it and the patient's wishes. A warning
// that is not refused may be overridden.
func (m *Masks) PlaceByHand(req *Request, h ByHand) (Place, []Warning, error) {
	if err := req.Validate(); err != nil {
		return Place{}, nil, err
	}
	if h.Visit < 0 || h.Visit >= len(req.Visits) {
		return Place{}, nil, field("visit", "%d, want 0 to %d", h.Visit, len(req.Visits)-1)
	}
	around, err := m.around(req)
	if err != nil {
		return Place{}, nil, err
	}
	c := &checker{m: around, req: req, v: &req.Visits[h.Visit], h: h}
	if err := c.known(); err != nil {
		return Place{}, nil, err
	}
	p := c.check()
	if slices.ContainsFunc(c.out, func(w Warning) bool { return w.Refused }) {
		return Place{}, c.out, nil
	}
	return p, c.out, nil
}

type checker struct {
	m   *Masks
	req *Request
	v   *Visit
	h   ByHand
	out []Warning
}

func (c *checker) warn(w Warning, format string, args ...any) {
	w.Text = fmt.Sprintf(format, args...)
	c.out = append(c.out, w)
}

// refs lists what is held, with the kind of equipment of a unit.
func (c *checker) refs() []heldRef {
	out := []heldRef{{Ref{KindRoom, c.h.Room}, ""}, {Ref{KindClinician, c.h.Clinician}, ""}}
	if c.h.Nurse != "" {
		out = append(out, heldRef{Ref{KindNurse, c.h.Nurse}, ""})
	}
	for _, u := range c.h.Units {
		out = append(out, heldRef{Ref{KindUnit, u.ID}, u.Kind})
	}
	return out
}

// heldRef is a resource and, for a unit, its kind of equipment.
type heldRef struct {
	Ref
	Equipment string
}

// known refuses names that the practice does not have, and a visit that lacks a
// nurse or a unit that it needs.
func (c *checker) known() error {
	for _, r := range c.refs() {
		if _, ok := c.m.index[r.Ref]; !ok {
			return field(r.Kind.String(), "%q is not known in this practice", r.ID)
		}
	}
	for _, p := range c.v.Parts {
		switch {
		case p.Needs == KindNurse && c.h.Nurse == "":
			return field("nurse", "missing, the visit needs one")
		case p.Needs == KindUnit && !slices.ContainsFunc(c.h.Units, func(u UnitUse) bool { return u.Kind == p.Equipment }):
			return field("units", "the visit needs a %s", p.Equipment)
		}
	}
	for _, u := range c.h.Units {
		i := slices.IndexFunc(c.m.practice.Units, func(x Unit) bool { return x.ID == u.ID })
		if c.m.practice.Units[i].Kind != u.Kind {
			return field("units", "%s is a %s, not a %s", u.ID, c.m.practice.Units[i].Kind, u.Kind)
		}
	}
	return nil
}

func (c *checker) check() Place {
	z := c.m.practice.Zone
	start, err := z.Strict(c.h.Local)
	if err != nil {
		var change *civil.ClockChangeError
		errors.As(err, &change)
		c.warn(Warning{Code: WarnClock, Refused: true}, "%v", err)
		return Place{}
	}
	if c.h.Local.Time.Minutes()%Grid != 0 {
		c.warn(Warning{Code: WarnGrid, Refused: true}, "start %s: want a time on the grid of %d minutes", c.h.Local, Grid)
		return Place{}
	}
	p := Place{Visit: c.h.Visit, Day: c.h.Local.Date, Local: c.h.Local, Chair: interval(start, 0, c.v.Minutes),
		Clinician: c.h.Clinician, Room: c.h.Room, Nurse: c.h.Nurse, Units: c.h.Units}
	for _, r := range c.refs() {
		for _, part := range c.v.Parts {
			if part.Needs == r.Kind && part.Equipment == r.Equipment {
				p.Holds = append(p.Holds, Hold{r.Ref, interval(start, part.From, part.To)})
			}
		}
	}
	c.patient(&p)
	c.people(&p)
	c.window(&p)
	c.resources(&p)
	return p
}

func (c *checker) patient(p *Place) {
	switch lead := p.Chair.Start.Sub(c.req.Now); {
	case lead < 0:
		c.warn(Warning{Code: WarnPast, Refused: true}, "the start has passed")
	case lead < time.Duration(c.req.Notice)*time.Minute:
		c.warn(Warning{Code: WarnNotice, Figure: int(lead / time.Minute)}, "only %s notice, want %s", count(int(lead/time.Minute), "minute"), count(c.req.Notice, "minute"))
	}
	own := slices.Clone(c.req.Patient)
	for _, o := range c.req.Chosen {
		own = append(own, o.Chair)
	}
	for _, o := range own {
		if both, ok := o.Common(p.Chair); ok {
			c.warn(Warning{Code: WarnOwn, Refused: true, Figure: both.Minutes()}, "the patient has another appointment at that time")
			break
		}
	}
	w := c.req.Wishes
	switch {
	case !w.NotBefore.IsZero() && p.Day.Before(w.NotBefore):
		c.warn(Warning{Code: WarnWish}, "before %s, the first day that suits", w.NotBefore)
	case !w.NotAfter.IsZero() && p.Day.After(w.NotAfter):
		c.warn(Warning{Code: WarnWish}, "after %s, the last day that suits", w.NotAfter)
	case slices.ContainsFunc(w.Not, func(r civil.DateRange) bool { return r.Holds(p.Day) }):
		c.warn(Warning{Code: WarnWish}, "%s does not suit", p.Day)
	}
	if i := p.Day.DaysSince(c.m.days[0].date); i >= 0 && i < len(c.m.days) && len(w.Suits) > 0 {
		d := c.m.days[i]
		s := suits{most: len(c.m.days) - 1, spans: w.Suits, earliest: d.start}
		want := want{chair: c.v.Minutes / Grid, companion: c.v.Companion}
		if ok, _ := s.allowed(&want, d, i); !ok.Has(int(p.Chair.Start.Unix()-d.start) / (Grid * 60)) {
			c.warn(Warning{Code: WarnWish}, "%s at %s is not among the times that suit", p.Day.Weekday(), p.Local.Time)
		}
	}
}

func (c *checker) people(p *Place) {
	pr := c.m.practice
	for _, x := range pr.Clinicians {
		if x.ID == p.Clinician && !slices.Contains(x.Protocols, c.v.Protocol) {
			c.warn(Warning{Code: WarnProtocol, Clinician: true, Resource: &Ref{KindClinician, x.ID}}, "%s does not do %s", x.ID, c.v.Protocol)
		}
	}
	if len(c.v.Clinicians) > 0 && !slices.Contains(c.v.Clinicians, p.Clinician) {
		c.warn(Warning{Code: WarnWanted, Resource: &Ref{KindClinician, p.Clinician}}, "%s is not among the clinicians asked for", p.Clinician)
	}
	if len(c.v.Rooms) > 0 && !slices.Contains(c.v.Rooms, p.Room) {
		c.warn(Warning{Code: WarnWanted, Resource: &Ref{KindRoom, p.Room}}, "room %s is not among the rooms asked for", p.Room)
	}
	seen := c.req.Seen
	if n := len(c.req.Chosen); n > 0 {
		seen = c.req.Chosen[n-1].Clinician
	}
	if c.req.Continuity != AnyClinician && seen != "" && seen != p.Clinician {
		c.warn(Warning{Code: WarnContinuity, Resource: &Ref{KindClinician, p.Clinician}}, "the visit before was with %s", seen)
	}
	for _, u := range pr.Units {
		if len(u.Rooms) > 0 && !slices.Contains(u.Rooms, p.Room) && slices.Contains(p.Units, UnitUse{u.Kind, u.ID}) {
			c.warn(Warning{Code: WarnRoom, Resource: &Ref{KindUnit, u.ID}}, "%s %s is not used in room %s", u.Kind, u.ID, p.Room)
		}
	}
	if c.v.LowerBlocks == 2 {
		c.warn(Warning{Code: WarnLowerBlocks, Clinician: true}, "numbing both sides of the lower jaw in one visit is advised against")
	}
}

// window warns of a day outside the return window: reception asks, a clinician
// decides.
func (c *checker) window(p *Place) {
	before := c.req.Anchor
	if n := len(c.req.Chosen); n > 0 {
		before = c.m.practice.Zone.Date(c.req.Chosen[n-1].Chair.Start)
		if !p.Chair.End.After(c.req.Chosen[n-1].Chair.Start) {
			c.warn(Warning{Code: WarnTooSoon, Refused: true}, "before the visit that comes first")
		}
	}
	if before.IsZero() {
		before = c.m.practice.Zone.Date(c.req.Now)
	}
	p.Days = p.Day.DaysSince(before)
	earliest, _, latest := c.v.Window.Dates(before)
	switch {
	case p.Days < c.v.Window.Earliest:
		c.warn(Warning{Code: WarnTooSoon, Clinician: true, Figure: c.v.Window.Earliest - p.Days}, "%s before %s, the earliest day", count(c.v.Window.Earliest-p.Days, "day"), earliest)
	case !c.v.Window.onDay(p.Days):
		c.warn(Warning{Code: WarnTooLate, Clinician: true, Figure: p.Days - c.v.Window.Latest}, "%s after %s, the latest day", count(p.Days-c.v.Window.Latest, "day"), latest)
	}
}

// resources warns of everything held that is not free. What another booking
// holds is refused; hours and the reserve are the practice's to override.
func (c *checker) resources(p *Place) {
	i := c.m.dayOf(p.Chair.Start)
	if i < 0 {
		c.warn(Warning{Code: WarnRange, Refused: true}, "the diary is kept from %s to %s", c.m.Days().First, c.m.Days().Last)
		return
	}
	d := c.m.days[i]
	if shut, ok := c.m.practice.Calendar.Closed(p.Day); ok {
		why := ""
		if shut.Reason != "" && shut.Reason != "closed" {
			why = " (" + shut.Reason + ")"
		}
		c.warn(Warning{Code: WarnClosed, Refused: true}, "the practice is closed on %s%s", p.Day, why)
		return
	}
	for _, h := range p.Holds {
		if h.Time.Start.Unix() < d.start || h.Time.End.Unix() > d.start+int64(d.cells)*Grid*60 {
			c.warn(Warning{Code: WarnMidnight, Refused: true, Resource: &h.Resource}, "%s would be held past midnight", h.Resource)
			return
		}
	}
	for _, h := range p.Holds {
		r := c.m.index[h.Resource]
		from, to := d.touched(h.Time)
		var need Mask
		need.Set(from, to)
		if out := need.AndNot(&d.open[r]); !out.Empty() {
			c.warn(Warning{Code: WarnHours, Resource: &h.Resource, Figure: out.Count() * Grid}, "%s is not there for %s of it", h.Resource, count(out.Count()*Grid, "minute"))
		}
		var busy Mask
		for _, o := range d.held {
			if int(o.resource) == r {
				busy.Set(int(o.from), int(o.to))
			}
		}
		busy = busy.And(&need)
		if taken := busy.Count() * Grid; taken > 0 {
			c.warn(Warning{Code: WarnTaken, Refused: true, Resource: &h.Resource, Figure: taken}, "%s is taken for %s of it", h.Resource, count(taken, "minute"))
		}
		if d.reserve != nil && c.req.Now.Unix() < d.release && !c.req.Emergency {
			if kept := need.And(&d.reserve[r]); !kept.Empty() {
				c.warn(Warning{Code: WarnReserve, Resource: &h.Resource, Figure: kept.Count() * Grid}, "%s is kept for emergencies until the reserve is released", h.Resource)
			}
		}
	}
}
