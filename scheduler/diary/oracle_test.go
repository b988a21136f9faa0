package diary_test

import (
	"cmp"
	"math"
	"slices"
	"time"

	"github.com/visitwright/visitwright/scheduler/civil"
	"github.com/visitwright/visitwright/scheduler/diary"
)

// The oracle answers a request by trying everything. It shares no code with the
// search: it looks at each five minutes of each resource, and at every way of
// combining them.
type oracle struct {
	p       *diary.Practice
	req     *diary.Request
	first   civil.Date
	days    int
	begins  []time.Time
	lengths []int
	free    map[diary.Ref][][]bool // by day and cell of five minutes
}

func newOracle(p *diary.Practice, first civil.Date, days int, bookings []diary.Booking, req *diary.Request) *oracle {
	o := &oracle{p: p, req: req, first: first, days: days, free: map[diary.Ref][][]bool{}}
	for i := range days {
		day := p.Zone.Day(first.AddDays(i))
		o.begins = append(o.begins, day.Start)
		o.lengths = append(o.lengths, day.Minutes()/5)
	}
	for _, r := range p.Rooms {
		o.open(diary.Ref{Kind: diary.KindRoom, ID: r.ID}, r.Own)
	}
	for _, r := range p.Clinicians {
		o.open(diary.Ref{Kind: diary.KindClinician, ID: r.ID}, r.Own)
	}
	for _, r := range p.Nurses {
		o.open(diary.Ref{Kind: diary.KindNurse, ID: r.ID}, r.Own)
	}
	for _, r := range p.Units {
		o.open(diary.Ref{Kind: diary.KindUnit, ID: r.ID}, r.Own)
	}
	all := slices.Clone(bookings)
	for _, c := range req.Chosen {
		all = append(all, c.Booking("chosen"))
	}
	for _, b := range all {
		for _, h := range b.Holds {
			for d := range days {
				for c := range o.lengths[d] {
					if o.cell(d, c).Overlaps(h.Time) {
						o.free[h.Resource][d][c] = false
					}
				}
			}
		}
	}
	return o
}

func (o *oracle) cell(day, c int) civil.Interval {
	at := o.begins[day].Add(time.Duration(c) * 5 * time.Minute)
	return civil.Interval{Start: at, End: at.Add(5 * time.Minute)}
}

func within(spans []civil.Span, t civil.TimeOfDay) bool {
	return slices.ContainsFunc(spans, func(s civil.Span) bool { return t >= s.From && t < s.To })
}

func (o *oracle) open(r diary.Ref, own *civil.Calendar) {
	days := make([][]bool, o.days)
	for d := range days {
		date := o.first.AddDays(d)
		days[d] = make([]bool, o.lengths[d])
		for c := range days[d] {
			wall := o.p.Zone.Local(o.cell(d, c).Start).Time
			ok := within(o.p.Calendar.Spans(date), wall) && (own == nil || within(own.Spans(date), wall))
			for _, v := range o.p.Reserves {
				given := o.p.Zone.Resolve(civil.LocalTime{Date: date.AddDays(-o.p.Release.DaysBefore), Time: o.p.Release.At})
				if v.Resource == r && !o.req.Emergency && o.req.Now.Before(given) && within(v.Hours.On(date), wall) {
					ok = false
				}
			}
			days[d][c] = ok
		}
	}
	o.free[r] = days
}

// one is a way to do one visit.
type one struct {
	day, cell int
	clinician int
	refs      []diary.Ref // room, clinician, nurse, units in the visit's order of kinds
	order     []int       // positions of room, nurse and units in the practice's lists
	cells     map[diary.Ref][]int
}

func (o *oracle) ways(v int) []one {
	visit := o.req.Visits[v]
	kinds := []string{}
	nurses := false
	for _, p := range visit.Parts {
		if p.Needs == diary.KindUnit && !slices.Contains(kinds, p.Equipment) {
			kinds = append(kinds, p.Equipment)
		}
		nurses = nurses || p.Needs == diary.KindNurse
	}
	var out []one
	for d := range o.days {
		for c := range o.lengths[d] {
			if !o.suits(visit, d, c) {
				continue
			}
			for ci, clin := range o.p.Clinicians {
				if !slices.Contains(clin.Protocols, visit.Protocol) || len(visit.Clinicians) > 0 && !slices.Contains(visit.Clinicians, clin.ID) {
					continue
				}
				for ri, room := range o.p.Rooms {
					if len(visit.Rooms) > 0 && !slices.Contains(visit.Rooms, room.ID) {
						continue
					}
					start := one{day: d, cell: c, clinician: ci, order: []int{ri},
						refs: []diary.Ref{{Kind: diary.KindRoom, ID: room.ID}, {Kind: diary.KindClinician, ID: clin.ID}}}
					var with []one
					if !nurses {
						with = []one{start}
					} else {
						for ni, n := range o.p.Nurses {
							w := start
							w.refs = append(slices.Clone(w.refs), diary.Ref{Kind: diary.KindNurse, ID: n.ID})
							w.order = append(slices.Clone(w.order), ni)
							with = append(with, w)
						}
					}
					for _, k := range kinds {
						var next []one
						for _, w := range with {
							for ui, u := range o.p.Units {
								if u.Kind == k && (len(u.Rooms) == 0 || slices.Contains(u.Rooms, room.ID)) {
									x := w
									x.refs = append(slices.Clone(w.refs), diary.Ref{Kind: diary.KindUnit, ID: u.ID})
									x.order = append(slices.Clone(w.order), ui)
									next = append(next, x)
								}
							}
						}
						with = next
					}
					for _, w := range with {
						if w.cells = o.needs(visit, w, kinds); w.cells != nil {
							out = append(out, w)
						}
					}
				}
			}
		}
	}
	return out
}

// needs lists the cells that each resource is held for; nil when one of them is
// not free.
func (o *oracle) needs(v diary.Visit, w one, kinds []string) map[diary.Ref][]int {
	out := map[diary.Ref][]int{}
	for _, p := range v.Parts {
		for _, r := range w.refs {
			if r.Kind != p.Needs {
				continue
			}
			if r.Kind == diary.KindUnit {
				i := slices.IndexFunc(o.p.Units, func(u diary.Unit) bool { return u.ID == r.ID })
				if o.p.Units[i].Kind != p.Equipment {
					continue
				}
			}
			for m := p.From; m < p.To; m += 5 {
				c := w.cell + int(math.Floor(float64(m)/5))
				if c < 0 || c >= o.lengths[w.day] || !o.free[r][w.day][c] {
					return nil
				}
				out[r] = append(out[r], c)
			}
		}
	}
	_ = kinds
	return out
}

func (o *oracle) suits(v diary.Visit, d, c int) bool {
	req, date := o.req, o.first.AddDays(d)
	start := o.cell(d, c).Start
	chair := civil.Interval{Start: start, End: start.Add(time.Duration(v.Minutes) * time.Minute)}
	if c+v.Minutes/5 > o.lengths[d] || start.Before(req.Now.Add(time.Duration(req.Notice)*time.Minute)) {
		return false
	}
	if _, err := o.p.Zone.Strict(o.p.Zone.Local(start)); err != nil {
		return false
	}
	if s := req.StartStep; s > 0 && o.p.Zone.Local(start).Time.Minutes()%s != 0 {
		return false
	}
	w := req.Wishes
	if !w.NotBefore.IsZero() && date.Before(w.NotBefore) || !w.NotAfter.IsZero() && date.After(w.NotAfter) {
		return false
	}
	for _, n := range w.Not {
		if n.Holds(date) {
			return false
		}
	}
	for _, p := range req.Patient {
		if p.Overlaps(chair) {
			return false
		}
	}
	if len(w.Suits) > 0 {
		for i := c; i < c+v.Minutes/5; i++ {
			wall := o.p.Zone.Local(o.cell(d, i).Start).Time
			if !slices.ContainsFunc(w.Suits, func(s diary.Suit) bool {
				return s.Days.Has(date.Weekday()) && wall >= s.From && wall < s.To && (!v.Companion || s.Accompanied)
			}) {
				return false
			}
		}
	}
	return true
}

// capacity is the usable capacity of a day of a resource without some cells.
func (o *oracle) capacity(r diary.Ref, day int, taken []int) int {
	free := slices.Clone(o.free[r][day])
	for _, c := range taken {
		free[c] = false
	}
	sum, run := 0, 0
	for i := 0; i <= len(free); i++ {
		if i < len(free) && free[i] {
			run++
			continue
		}
		for _, u := range o.p.Useful {
			sum += u.Weight * (run * 5 / u.Minutes)
		}
		run = 0
	}
	return sum
}

func (o *oracle) weight(k diary.Kind) int {
	w := o.req.Weights
	return [...]int{diary.KindRoom: w.Room, diary.KindClinician: w.Clinician, diary.KindNurse: w.Nurse, diary.KindUnit: w.Unit}[k]
}

// lost is what the places of one day take away together.
func (o *oracle) lost(ways []one) int {
	taken := map[diary.Ref][]int{}
	for _, w := range ways {
		for r, c := range w.cells {
			taken[r] = append(taken[r], c...)
		}
	}
	sum := 0
	for r, c := range taken {
		sum += o.weight(r.Kind) * (o.capacity(r, ways[0].day, nil) - o.capacity(r, ways[0].day, c))
	}
	return sum
}

func clash(a, b one) bool {
	for r, cs := range a.cells {
		for _, c := range cs {
			if slices.Contains(b.cells[r], c) {
				return true
			}
		}
	}
	return false
}

// set is one answer: a way for each visit and the whole cost.
type set struct {
	ways []one
	cost int
}

func (s set) key() []int {
	var k []int
	for _, w := range s.ways {
		k = append(k, w.day, w.cell, w.clinician)
	}
	return k
}

func (s set) order() []int {
	var k []int
	for _, w := range s.ways {
		k = append(k, w.order...)
	}
	return k
}

var urgency = []int{1, 3, 10} // what a day of waiting is multiplied by

// best returns the k best sets in the order that Search promises.
func (o *oracle) best() []set {
	req := o.req
	base := len(req.Chosen)
	today := o.p.Zone.Date(req.Now).DaysSince(o.first)
	anchor := today
	if !req.Anchor.IsZero() {
		anchor = req.Anchor.DaysSince(o.first)
	}
	seen := req.Seen
	chosenOn := map[int]int{}
	notBefore := time.Time{}
	for _, c := range req.Chosen {
		anchor = o.p.Zone.Date(c.Chair.Start).DaysSince(o.first)
		chosenOn[anchor]++
		seen = c.Clinician
		notBefore = c.Chair.End
	}
	ways := make([][]one, len(req.Visits))
	alone := make([][]int, len(req.Visits))
	for v := base; v < len(req.Visits); v++ {
		ways[v] = o.ways(v)
		for _, w := range ways[v] {
			alone[v] = append(alone[v], o.lost([]one{w}))
		}
	}
	found := map[string]set{}
	text := func(k []int) string {
		b := make([]byte, 0, 4*len(k))
		for _, x := range k {
			b = append(b, byte(x), byte(x>>8), ';')
		}
		return string(b)
	}
	var extend func(v int, chain []one, alones []int, cost int)
	extend = func(v int, chain []one, alones []int, cost int) {
		if v == len(req.Visits) {
			s := set{slices.Clone(chain), cost}
			key := text(s.key())
			if old, ok := found[key]; !ok || s.cost < old.cost || s.cost == old.cost && slices.Compare(s.order(), old.order()) < 0 {
				found[key] = s
			}
			return
		}
		for wi, w := range ways[v] {
			before, who := anchor, seen
			if n := len(chain); n > 0 {
				before, who = chain[n-1].day, o.p.Clinicians[chain[n-1].clinician].ID
				if p := chain[n-1]; p.day == w.day && w.cell < p.cell+req.Visits[v-1].Minutes/5 || clash(p, w) && p.day == w.day {
					continue
				}
			} else if o.cell(w.day, w.cell).Start.Before(notBefore) || w.day < today {
				continue
			}
			onDay := chosenOn[w.day] + 1
			for _, c := range chain {
				if c.day == w.day {
					onDay++
				}
			}
			win := req.Visits[v].Window
			gap := w.day - before
			if onDay > 2 || gap < win.Earliest || win.Latest != diary.NoLatest && gap > win.Latest {
				continue
			}
			add := 0
			name := o.p.Clinicians[w.clinician].ID
			known := who != "" && slices.ContainsFunc(o.p.Clinicians, func(c diary.Clinician) bool { return c.ID == who })
			if known && who != name {
				switch req.Continuity {
				case diary.RequireSame:
					continue
				case diary.PreferSame:
					add += req.Weights.Change
				}
			}
			switch {
			case v == 0 && win.Target == diary.NoTarget:
				add += req.Weights.WaitDay * urgency[req.Urgency] * (w.day - today)
			case win.Target == diary.NoTarget:
				add += req.Weights.Late * (gap - win.Earliest)
			case gap < win.Target:
				add += req.Weights.Early * (win.Target - gap)
			default:
				add += req.Weights.Late * (gap - win.Target)
			}
			add += alone[v][wi]
			if n := len(chain); n > 0 && chain[n-1].day == w.day {
				add += o.lost([]one{chain[n-1], w}) - alones[n-1] - alone[v][wi]
			}
			if req.FirstAvailable {
				add = gap*1440 + w.cell*5
				if v == 0 {
					add = (w.day-today)*1440 + w.cell*5
				}
			}
			extend(v+1, append(chain, w), append(alones, alone[v][wi]), cost+add)
		}
	}
	extend(base, nil, nil, 0)
	var out []set
	for _, s := range found {
		out = append(out, s)
	}
	slices.SortFunc(out, func(a, b set) int {
		return cmp.Or(cmp.Compare(a.cost, b.cost), slices.Compare(a.key(), b.key()))
	})
	if req.OtherDays {
		seen := map[string]bool{}
		out = slices.DeleteFunc(out, func(s set) bool {
			var days []int
			for _, w := range s.ways {
				days = append(days, w.day)
			}
			old := seen[text(days)]
			seen[text(days)] = true
			return old
		})
	}
	return out[:min(len(out), req.Best)]
}
