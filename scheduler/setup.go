package scheduler

import (
	"fmt"
	"slices"

	"github.com/visitwright/visitwright/scheduler/civil"
	"github.com/visitwright/visitwright/scheduler/diary"
	"github.com/visitwright/visitwright/store"
)

// mostCycle is the longest cycle of alternating weeks that hours can have.
const mostCycle = 8

// anchorMonday is where the contract counts weeks of a cycle from.
var anchorMonday = civil.MustDate("1970-01-05")

// timetable turns rules into terms that do not overlap: in each stretch of days
// the same rules hold.
func timetable(rules []store.HoursRule) (civil.Timetable, error) {
	// A zero date is before all others: the stretch without a beginning.
	bounds := []civil.Date{{}}
	day := func(text string) civil.Date {
		d, _ := civil.ParseDate(text) // the store has checked it; "" is the zero date
		return d
	}
	for _, r := range rules {
		if r.From != "" {
			bounds = append(bounds, day(r.From))
		}
		if r.To != "" {
			bounds = append(bounds, day(r.To).AddDays(1))
		}
	}
	slices.SortFunc(bounds, func(a, b civil.Date) int { return a.DaysSince(b) })
	bounds = slices.Compact(bounds)
	var out civil.Timetable
	for i, from := range bounds {
		term := civil.Term{From: from}
		if i+1 < len(bounds) {
			term.Until = bounds[i+1].AddDays(-1)
		}
		var holding []store.HoursRule
		cycle := 1
		for _, r := range rules {
			begun := r.From == "" || !from.IsZero() && !from.Before(day(r.From))
			if !begun || r.To != "" && !from.IsZero() && from.After(day(r.To)) {
				continue
			}
			holding = append(holding, r)
			cycle = cycle / gcd(cycle, r.EveryWeeks) * r.EveryWeeks
		}
		if cycle > mostCycle {
			return nil, fmt.Errorf("cycles of weeks that repeat together within %d weeks", mostCycle)
		}
		weeks := make([]civil.Week, cycle)
		for _, r := range holding {
			for w := r.InWeek; w < cycle; w += r.EveryWeeks {
				wd := r.Weekday % 7 // ISO Sunday is 7, time.Sunday 0
				weeks[w][wd] = append(weeks[w][wd], civil.Span{From: civil.TimeOfDay(r.StartMinute), To: civil.TimeOfDay(r.EndMinute)})
			}
		}
		term.Hours = civil.Hours{Anchor: anchorMonday, Weeks: weeks}
		out = append(out, term)
	}
	return out, nil
}

func gcd(a, b int) int {
	for b != 0 {
		a, b = b, a%b
	}
	return a
}

// closures turns an absence into closures of whole days and parts of days, on
// the diary's grid: a minute away takes its five minutes.
func closures(a store.Absence) []civil.Closure {
	first, _ := civil.ParseDate(a.FromDay) // the store has checked both
	last, _ := civil.ParseDate(a.ToDay)
	from := a.FromMin / diary.Grid * diary.Grid
	to := (a.ToMin + diary.Grid - 1) / diary.Grid * diary.Grid
	part := func(d civil.Date, from, to int) civil.Closure {
		c := civil.Closure{Days: civil.DateRange{First: d, Last: d}, Reason: a.Kind}
		if from > 0 || to < int(civil.EndOfDay) {
			c.Part = &civil.Span{From: civil.TimeOfDay(from), To: civil.TimeOfDay(to)}
		}
		return c
	}
	if first == last {
		return []civil.Closure{part(first, from, to)}
	}
	out := []civil.Closure{part(first, from, int(civil.EndOfDay))}
	if last.DaysSince(first) > 1 {
		out = append(out, civil.Closure{Days: civil.DateRange{First: first.AddDays(1), Last: last.AddDays(-1)}, Reason: a.Kind})
	}
	return append(out, part(last, 0, to))
}

// around the clock is what an owner keeps who has absences and no hours of
// their own: the practice's hours still bound them.
var aroundTheClock = func() civil.Timetable {
	var w civil.Week
	for d := range w {
		w[d] = []civil.Span{{From: 0, To: civil.EndOfDay}}
	}
	return civil.Always(civil.EveryWeek(w))
}()

// own is the calendar of one owner; nil when it is the practice's.
func own(setup store.DiarySetup, owner store.ResourceRef) (*civil.Calendar, error) {
	c := &civil.Calendar{}
	for _, h := range setup.Hours {
		if h.Owner == owner && len(h.Rules) > 0 {
			t, err := timetable(h.Rules)
			if err != nil {
				return nil, err
			}
			c.Hours = t
		}
	}
	for _, a := range setup.Absences {
		if a.Owner == owner {
			c.Closures = append(c.Closures, closures(a)...)
		}
	}
	if c.Hours == nil {
		if len(c.Closures) == 0 {
			return nil, nil
		}
		c.Hours = aroundTheClock
	}
	return c, nil
}

// practiceOf is the setup as the pure diary reads it. What is not in use is
// left out.
func (s *Diary) practiceOf(setup store.DiarySetup, w worked) (*diary.Practice, error) {
	zone, err := s.zones.Zone(setup.Practice.Zone)
	if err != nil {
		return nil, err
	}
	p := &diary.Practice{Zone: zone}
	everybody := store.ResourceRef{}
	c, err := own(setup, everybody)
	if err != nil {
		return nil, err
	}
	if c != nil {
		p.Calendar = *c
		if !slices.ContainsFunc(setup.Hours, func(h store.Hours) bool { return h.Owner == everybody && len(h.Rules) > 0 }) {
			p.Calendar.Hours = nil // a practice without hours is never open
		}
	}
	for _, x := range setup.Clinicians {
		if !x.Active {
			continue
		}
		hours, err := own(setup, store.ResourceRef{Kind: store.KindClinician, ID: x.ID})
		if err != nil {
			return nil, err
		}
		does := x.Protocols
		if len(does) == 0 {
			does = s.protocols
		}
		p.Clinicians = append(p.Clinicians, diary.Clinician{ID: x.ID, Own: hours, Protocols: does})
	}
	for _, x := range setup.Resources {
		if !x.Active {
			continue
		}
		hours, err := own(setup, x.ResourceRef)
		if err != nil {
			return nil, err
		}
		switch x.Kind {
		case store.KindRoom:
			p.Rooms = append(p.Rooms, diary.Room{ID: x.ID, Own: hours})
		case store.KindNurse:
			p.Nurses = append(p.Nurses, diary.Nurse{ID: x.ID, Own: hours})
		case store.KindEquipment:
			p.Units = append(p.Units, diary.Unit{ID: x.ID, Kind: x.Class, Own: hours, Rooms: inUse(setup, x.Rooms)})
		}
	}
	p.Reserves, p.Release = w.reserves(setup)
	for _, minutes := range w.useful {
		p.Useful = append(p.Useful, diary.UsefulLength{Minutes: minutes, Weight: 1})
	}
	return p, nil
}

// inUse leaves out rooms that are no longer used; a unit whose rooms are all
// gone serves none, which the first of them says.
func inUse(setup store.DiarySetup, rooms []string) []string {
	var out []string
	for _, id := range rooms {
		if slices.ContainsFunc(setup.Resources, func(r store.Resource) bool { return r.Kind == store.KindRoom && r.ID == id && r.Active }) {
			out = append(out, id)
		}
	}
	return out
}

// kindOf finds what a resource id stands for; "" when the practice has none of
// that id.
func kindOf(setup store.DiarySetup, id string) store.ResourceKind {
	for _, r := range setup.Resources {
		if r.ID == id {
			return r.Kind
		}
	}
	return ""
}
