package desk

import (
	"slices"
	"time"

	"golang.org/x/sync/errgroup"
	"google.golang.org/genproto/googleapis/type/date"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// stretch is a run of minutes of one local day, the end excluded.
type stretch struct{ From, To int }

const wholeDay = 24 * 60

// openHours are the working hours and absences that some days are read with.
type openHours struct {
	w        *words
	practice string
	hours    map[string]*vw.Hours // of those that have rules of their own
	absences []*vw.Absence
}

// mostAtOnce is how many small calls one page makes side by side.
const mostAtOnce = 8

// openHours reads all working hours, and who is away on some days.
func (q *ask) openHours(days *vw.DateRange) (*openHours, error) {
	o := &openHours{w: q.words, practice: q.practice}
	g, ctx := errgroup.WithContext(q)
	g.Go(func() error {
		a, err := q.diary().ListAbsences(ctx, &vw.ListAbsencesRequest{Parent: q.practice, PageSize: mostInList, Days: days})
		o.absences = a.GetAbsences()
		return err
	})
	g.Go(func() (err error) { o.hours, err = q.allHours(); return err })
	return o, g.Wait()
}

// allHours are the working hours of whoever has rules of their own, by resource
// name.
func (q *ask) allHours() (map[string]*vw.Hours, error) {
	list, err := q.diary().ListHours(q, &vw.ListHoursRequest{Parent: q.practice, PageSize: mostInList})
	out := map[string]*vw.Hours{}
	for _, h := range list.GetHours() {
		out[h.GetOwner()] = h
	}
	return out, err
}

// mondayZero is the Monday from which weeks of a cycle are counted.
var mondayZero = &date.Date{Year: 1970, Month: 1, Day: 5}

// working are the spans on which an owner works on a day, by its own rules or
// those of the practice; absences are not yet taken out.
func (o *openHours) working(owner string, d *date.Date) []stretch {
	rules := o.hours[owner].GetRules()
	if len(rules) == 0 {
		rules = o.hours[o.practice].GetRules()
	}
	var out []stretch
	for _, r := range rules {
		every := max(1, int(r.GetEveryWeeks()))
		week := o.w.daysBetween(mondayZero, d) / 7
		switch {
		case time.Weekday(int(r.GetWeekday())%7) != o.w.day(d).Weekday(),
			week%every != int(r.GetInWeek()),
			r.GetFirstDate() != nil && o.w.daysBetween(r.GetFirstDate(), d) < 0,
			r.GetLastDate() != nil && o.w.daysBetween(d, r.GetLastDate()) < 0:
			continue
		}
		out = append(out, stretch{minuteOf(r.GetStartTime()), minuteOf(r.GetEndTime())})
	}
	slices.SortFunc(out, func(a, b stretch) int { return a.From - b.From })
	return out
}

// away is a time at which an owner or the whole practice is not there.
type away struct {
	stretch
	Absence *vw.Absence
}

// awayOn lists the absences of an owner on a day, closures of the practice
// among them.
func (o *openHours) awayOn(owner string, d *date.Date) []away {
	var out []away
	for _, a := range o.absences {
		if a.GetOwner() != owner && a.GetOwner() != o.practice {
			continue
		}
		after, before := o.w.daysBetween(a.GetFirstDate(), d), o.w.daysBetween(d, a.GetLastDate())
		if after < 0 || before < 0 {
			continue
		}
		s := stretch{0, wholeDay}
		if t := a.GetStartTime(); after == 0 && t != nil {
			s.From = minuteOf(t)
		}
		if t := a.GetEndTime(); before == 0 && t != nil {
			s.To = minuteOf(t)
		}
		out = append(out, away{s, a})
	}
	return out
}

// open is when an owner is there: working time less absences.
func (o *openHours) open(owner string, d *date.Date) []stretch {
	out := o.working(owner, d)
	for _, a := range o.awayOn(owner, d) {
		out = without(out, a.stretch)
	}
	return out
}

// without takes one stretch out of others.
func without(list []stretch, gone stretch) []stretch {
	var out []stretch
	for _, s := range list {
		if gone.To <= s.From || gone.From >= s.To {
			out = append(out, s)
			continue
		}
		if s.From < gone.From {
			out = append(out, stretch{s.From, gone.From})
		}
		if gone.To < s.To {
			out = append(out, stretch{gone.To, s.To})
		}
	}
	return out
}

// total is the minutes of some stretches.
func total(list []stretch) int {
	sum := 0
	for _, s := range list {
		sum += s.To - s.From
	}
	return sum
}

// covers reports whether a stretch lies inside one of others.
func covers(list []stretch, in stretch) bool {
	return slices.ContainsFunc(list, func(s stretch) bool { return s.From <= in.From && in.To <= s.To })
}
