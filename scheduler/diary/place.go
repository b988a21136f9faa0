package diary

import (
	"fmt"
	"strconv"
	"strings"

	"github.com/visitwright/visitwright/scheduler/civil"
)

// offer turns a path into places.
func (f *finder) offer(it item) Offer {
	holds, units := 0, 0
	for i := range f.wants {
		holds += f.wants[i].holds()
		units += len(f.wants[i].kinds)
	}
	o := Offer{Places: make([]Place, 0, len(f.wants))}
	f.holds, f.units = make([]Hold, 0, holds), make([]UnitUse, 0, units)
	v, before, class := 0, f.anchor, int16(f.seen)
	for p := it.path; p >= 0; p = f.paths[p].next {
		day := int(f.paths[p].day)
		for c := f.cands[f.paths[p].cand]; ; c = f.pairs[c.pair] {
			o.Places = append(o.Places, f.place(v, day, before, class, &c))
			v, before, class = v+1, day, c.class
			if c.pair < 0 {
				break
			}
		}
	}
	for _, p := range o.Places {
		o.Cost.Wait += p.Cost.Wait
		o.Cost.Target += p.Cost.Target
		o.Cost.Change += p.Cost.Change
		o.Cost.Capacity += p.Cost.Capacity
	}
	return o
}

func (f *finder) place(v, day, before int, class int16, c *cand) Place {
	m, w, d := f.m, &f.wants[v], f.m.days[day]
	start := d.at(int(c.cell))
	p := Place{
		Visit:     f.base + v,
		Day:       d.date,
		Local:     m.practice.Zone.Local(start),
		Chair:     interval(start, 0, w.chair*Grid),
		Clinician: m.refs[c.clin].ID,
		Room:      m.refs[c.room].ID,
		Days:      day - before,
		Cost:      Cost{Capacity: c.lost},
	}
	edge := f.edge(v, day-before)
	switch {
	case f.minute:
		p.Cost.Wait = edge + int(c.cell)*Grid
	case v == 0 && f.base == 0 && w.window.Target == NoTarget:
		p.Cost.Wait = edge
	default:
		p.Cost.Target = edge
	}
	if f.classes > 1 && class >= 0 && c.class != class {
		p.Cost.Change = f.w.Change
	}
	p.Holds = f.holds[:0:w.holds()]
	f.holds = f.holds[:cap(f.holds)][w.holds():][:0]
	hold := func(r int16, parts []stretch) {
		for _, s := range parts {
			p.Holds = append(p.Holds, Hold{m.refs[r], interval(start, s.from*Grid, s.to*Grid)})
			if d.reserve != nil && f.req.Emergency && f.now < d.release {
				var held Mask
				held.Set(int(c.cell)+s.from, int(c.cell)+s.to)
				held = held.And(&d.reserve[r])
				p.FromReserve = p.FromReserve || !held.Empty()
			}
		}
	}
	hold(c.room, w.room)
	hold(c.clin, w.clinician)
	if len(w.nurse) > 0 {
		p.Nurse = m.refs[c.nurse].ID
		hold(c.nurse, w.nurse)
	}
	if n := len(w.kinds); n > 0 {
		p.Units = f.units[:0:n]
		f.units = f.units[:cap(f.units)][n:][:0]
	}
	for i, k := range w.kinds {
		p.Units = append(p.Units, UnitUse{k.name, m.refs[c.units[i]].ID})
		hold(c.units[i], k.parts)
	}
	return p
}

// holds is how many holds a place of the visit has.
func (w *want) holds() int {
	n := len(w.room) + len(w.clinician) + len(w.nurse)
	for i := range w.kinds {
		n += len(w.kinds[i].parts)
	}
	return n
}

// Booking returns the place as a booking with the given id.
func (p Place) Booking(id string) Booking { return Booking{ID: id, Chair: p.Chair, Holds: p.Holds} }

// reasons says for each offer what speaks for and against it.
func (f *finder) reasons(offers []Offer) {
	for i := range offers {
		offers[i].Reasons = f.reasonsOf(&offers[i], i == 0)
	}
}

func (f *finder) reasonsOf(o *Offer, first bool) []Reason {
	out := make([]Reason, 0, 2+2*len(o.Places))
	add := func(code ReasonCode, visit, figure int, text string) {
		out = append(out, Reason{code, visit, figure, text})
	}
	changes := 0
	for i, p := range o.Places {
		win := f.wants[i].window
		visit := "visit " + strconv.Itoa(p.Visit+1)
		switch {
		case i == 0 && f.base == 0 && win.Target == NoTarget:
			days := p.Days + f.anchor - f.today
			if first && f.minute {
				add(ReasonFirstFree, p.Visit, days, "the first that is free, "+inDays(days))
			} else {
				add(ReasonWait, p.Visit, days, "first visit "+inDays(days))
			}
		case win.Target == NoTarget:
			add(ReasonTarget, p.Visit, p.Days-win.Earliest, visit+" "+count(p.Days, "day")+" after the one before")
		default:
			off := p.Days - win.Target
			switch {
			case off == 0:
				add(ReasonTarget, p.Visit, 0, visit+" on its target day")
			case off < 0:
				add(ReasonTarget, p.Visit, off, visit+" "+count(-off, "day")+" before its target day")
			default:
				add(ReasonTarget, p.Visit, off, visit+" "+count(off, "day")+" after its target day")
			}
		}
		if left := win.Latest - p.Days; win.Latest != NoLatest && left <= 2 {
			add(ReasonLatest, p.Visit, left, visit+" leaves "+count(left, "day")+" of its window")
		}
		if p.Cost.Change > 0 || i > 0 && p.Clinician != o.Places[i-1].Clinician {
			changes++
		}
		if p.FromReserve {
			add(ReasonReserve, p.Visit, 0, visit+" uses time kept for emergencies")
		}
	}
	if len(o.Places) > 1 || f.seen >= 0 {
		if changes == 0 {
			add(ReasonSame, -1, 0, "the same clinician throughout")
		} else {
			add(ReasonChange, -1, changes, count(changes, "change")+" of clinician")
		}
	}
	if !f.minute && len(f.m.practice.Useful) > 0 {
		if o.Cost.Capacity == 0 {
			add(ReasonNoLoss, -1, 0, "fills gaps that no other appointment fits")
		} else if most := f.longestLost(o); most > 0 {
			add(ReasonCapacity, -1, most, "uses up a gap in which "+count(most, "minute")+" would fit")
		}
	}
	return out
}

// longestLost is the longest useful appointment that the clinicians of the
// offer could still have had in the gaps it takes and no longer can, in
// minutes; 0 when none.
func (f *finder) longestLost(o *Offer) int {
	most := 0
	for i, p := range o.Places {
		di := p.Day.DaysSince(f.m.days[0].date)
		d := f.m.days[di]
		m := d.masks(f.now, f.req.Emergency)[f.m.index[Ref{KindClinician, p.Clinician}]]
		cell := int(p.Chair.Start.Unix()-d.start) / (Grid * 60)
		for j, u := range f.m.practice.Useful {
			if u.Minutes > most && f.m.byLength[j].lostAll(&m, f.wants[i].clinician, cell) > 0 {
				most = u.Minutes
			}
		}
	}
	return most
}

func count(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return strconv.Itoa(n) + " " + noun + "s"
}

func inDays(n int) string {
	switch n {
	case 0:
		return "today"
	case 1:
		return "tomorrow"
	}
	return "in " + count(n, "day")
}

// String writes the place for a log or a test: time, people and things, no
// patient.
func (p Place) String() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%s %d min, %s, room %s", p.Local, p.Chair.Minutes(), p.Clinician, p.Room)
	if p.Nurse != "" {
		fmt.Fprintf(&b, ", nurse %s", p.Nurse)
	}
	for _, u := range p.Units {
		fmt.Fprintf(&b, ", %s %s", u.Kind, u.ID)
	}
	return b.String()
}

// onDay reports whether the window lets a visit be that many days after the
// one before.
func (w Window) onDay(days int) bool {
	return days >= w.Earliest && (w.Latest == NoLatest || days <= w.Latest)
}

// Dates returns the window in dates, counted from the day of the visit before.
// The last date is zero when there is no bound.
func (w Window) Dates(before civil.Date) (earliest, target, latest civil.Date) {
	earliest = before.AddDays(w.Earliest)
	if w.Target != NoTarget {
		target = before.AddDays(w.Target)
	}
	if w.Latest != NoLatest {
		latest = before.AddDays(w.Latest)
	}
	return earliest, target, latest
}
