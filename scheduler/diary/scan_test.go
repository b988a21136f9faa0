package diary_test

import (
	"cmp"
	"math"
	"slices"

	"github.com/visitwright/visitwright/scheduler/civil"
	"github.com/visitwright/visitwright/scheduler/diary"
)

// scanner is what one writes first: for every resource and day a list of its
// free gaps in minutes, kept ready in memory; a search walks through days,
// clinicians, gaps and starts, and looks for a room, a nurse and a unit in their
// gaps. It keeps what pays off at once (it leaves a day without clinician
// alone, finds the best room and nurse of a start once for all clinicians,
// computes each day of visit 2 once, and cuts pairs that cost more than the
// tenth best), and no bitmaps.
type scanner struct {
	p     *diary.Practice
	req   *diary.Request
	days  int
	today int
	least int // first day that will do
	gaps  map[diary.Kind][][][]gap
	// stops ends the search when waiting alone costs more than the tenth best.
	stops bool
	lists map[int][]found // of visit 2
}

type gap struct{ from, to int }

type found struct {
	cost, day, start, clinician, room, nurse, unit int
}

type foundPair struct {
	cost int
	a, b found
}

func newScanner(p *diary.Practice, masks *diary.Masks, first civil.Date, days int) *scanner {
	s := &scanner{p: p, days: days, gaps: map[diary.Kind][][][]gap{}}
	for _, r := range practiceRefs(p) {
		var byDay [][]gap
		for d := range days {
			m, _ := masks.Free(r, first.AddDays(d))
			var gs []gap
			for c := 0; c < 300; c++ {
				if !m.Has(c) {
					continue
				}
				if n := len(gs); n > 0 && gs[n-1].to == c*5 {
					gs[n-1].to += 5
				} else {
					gs = append(gs, gap{c * 5, c*5 + 5})
				}
			}
			byDay = append(byDay, gs)
		}
		s.gaps[r.Kind] = append(s.gaps[r.Kind], byDay)
	}
	return s
}

func around(gs []gap, from, to int) (gap, bool) {
	for _, g := range gs {
		if g.to >= to {
			return g, g.from <= from
		}
	}
	return gap{}, false
}

func (s *scanner) worth(g int) int {
	sum := 0
	for _, u := range s.p.Useful {
		sum += u.Weight * (g / u.Minutes)
	}
	return sum
}

// held returns the minutes of the visit for which a kind is held, its parts in
// order.
func held(v *diary.Visit, k diary.Kind) []gap {
	var out []gap
	for _, p := range v.Parts {
		if p.Needs == k {
			out = append(out, gap{p.From, p.To})
		}
	}
	return out
}

func (s *scanner) fits(gs []gap, parts []gap, start int) (lost int, ok bool) {
	for i := 0; i < len(parts); i++ {
		g, ok := around(gs, start+parts[i].from, start+parts[i].to)
		if !ok {
			return 0, false
		}
		lost += s.worth(g.to - g.from)
		at := g.from
		for {
			lost -= s.worth(start + parts[i].from - at)
			at = start + parts[i].to
			if i+1 < len(parts) && start+parts[i+1].to <= g.to {
				i++
				continue
			}
			break
		}
		lost -= s.worth(g.to - at)
	}
	return lost, true
}

// day lists the starts of a visit on a day, each with its best room, nurse and
// unit.
func (s *scanner) day(v *diary.Visit, d int) []found {
	var out []found
	if d < s.least {
		return nil
	}
	room, clin, nurse, unit := held(v, diary.KindRoom), held(v, diary.KindClinician), held(v, diary.KindNurse), held(v, diary.KindUnit)
	w := s.req.Weights
	now := s.req.Now.Sub(s.p.Zone.Day(s.p.Zone.Date(s.req.Now)).Start).Minutes()
	best := map[int]found{}
	for c := range s.p.Clinicians {
		gs := s.gaps[diary.KindClinician][c][d]
		for _, g := range gs {
			for start := g.from - clin[0].from; start+clin[0].to <= g.to; start += 5 {
				lost, ok := s.fits(gs, clin, start)
				if !ok || start < 0 || d == s.today && float64(start) < now {
					continue
				}
				f, known := best[start]
				if !known {
					f = s.serve(d, start, room, nurse, unit, w)
					best[start] = f
				}
				if f.room < 0 {
					continue
				}
				f.clinician, f.cost = c, f.cost+w.Clinician*lost
				out = append(out, f)
			}
		}
	}
	return out
}

func (s *scanner) serve(d, start int, room, nurse, unit []gap, w diary.Weights) found {
	f := found{day: d, start: start, room: -1}
	leastNurse, bestNurse := math.MaxInt, -1
	for n := range s.p.Nurses {
		if lost, ok := s.fits(s.gaps[diary.KindNurse][n][d], nurse, start); ok && w.Nurse*lost < leastNurse {
			leastNurse, bestNurse = w.Nurse*lost, n
		}
	}
	if bestNurse < 0 {
		return f
	}
	least := math.MaxInt
	for r, rm := range s.p.Rooms {
		lost, ok := s.fits(s.gaps[diary.KindRoom][r][d], room, start)
		if !ok {
			continue
		}
		for u, un := range s.p.Units {
			if !slices.Contains(un.Rooms, rm.ID) {
				continue
			}
			if ul, ok := s.fits(s.gaps[diary.KindUnit][u][d], unit, start); ok && w.Room*lost+w.Unit*ul < least {
				least, f.room, f.unit = w.Room*lost+w.Unit*ul, r, u
			}
		}
	}
	f.nurse, f.cost = bestNurse, least+leastNurse
	return f
}

func (s *scanner) search(req *diary.Request, first civil.Date) []foundPair {
	s.req, s.lists = req, map[int][]found{}
	s.today = s.p.Zone.Date(req.Now).DaysSince(first)
	s.least = s.today
	if !req.Wishes.NotBefore.IsZero() {
		s.least = req.Wishes.NotBefore.DaysSince(first)
	}
	v1, v2 := &req.Visits[0], &req.Visits[1]
	w, win := req.Weights, v2.Window
	var best []foundPair
	order := func(x, y foundPair) int {
		return cmp.Or(cmp.Compare(x.cost, y.cost), cmp.Compare(x.a.day, y.a.day), cmp.Compare(x.a.start, y.a.start),
			cmp.Compare(x.a.clinician, y.a.clinician), cmp.Compare(x.b.day, y.b.day), cmp.Compare(x.b.start, y.b.start), cmp.Compare(x.b.clinician, y.b.clinician))
	}
	for d := s.today; d < s.days; d++ {
		wait := w.WaitDay * (d - s.today)
		if s.stops && len(best) == req.Best && wait > best[len(best)-1].cost {
			break
		}
		for _, a := range s.day(v1, d) {
			for d2 := d + win.Earliest; d2 <= min(d+win.Latest, s.days-1); d2++ {
				list, ok := s.lists[d2]
				if !ok {
					list = s.day(v2, d2)
					s.lists[d2] = list
				}
				away := w.Late * (d2 - d - win.Target)
				if away < 0 {
					away = w.Early * (d + win.Target - d2)
				}
				for _, b := range list {
					p := foundPair{wait + a.cost + away + b.cost, a, b}
					if b.clinician != a.clinician || len(best) == req.Best && p.cost > best[len(best)-1].cost {
						continue
					}
					i, _ := slices.BinarySearchFunc(best, p, order)
					if i < req.Best {
						best = slices.Insert(best, i, p)
						best = best[:min(len(best), req.Best)]
					}
				}
			}
		}
	}
	return best
}
