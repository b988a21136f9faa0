package diary

import (
	"cmp"
	"math"
	"slices"
)

// option is a room with its units, or a nurse, for one visit of a pair.
type option struct {
	resources [1 + MostEquipment]int16
	cost      int
}

// joint is the cheapest way to serve two visits of one day.
type joint struct {
	cost int // capacity lost by both together
	own  int // of that by the first alone
}

// together appends the pairs of visits v and v+1 on one day. They may share a
// room, a person or a unit, so that what they cost is computed for both at once
// and what one holds is not free for the other.
func (f *finder) together(v, di int, masks []Mask) {
	w1, w2, d := &f.wants[v], &f.wants[v+1], f.m.days[di]
	k1, k2 := &f.works[0], &f.works[1]
	allow, _ := f.suits.allowed(w2, d, di)
	if allow.Empty() || !k2.fill(w2, d, masks, &allow) {
		return
	}
	first := len(f.cands)
	edge := f.edge(v+1, 0)
	for a := k1.any.next(0); a < cells; a = k1.any.next(a + 1) {
		for b := k2.any.next(a + w1.chair); b < cells; b = k2.any.next(b + 1) {
			one, two, base, ok := f.serve(w1, w2, k1, k2, masks, a, b)
			if !ok {
				continue
			}
			f.pair(w1, w2, k1, k2, masks, a, b, one, two, base, edge)
		}
	}
	f.cutPairs(first)
}

// pair appends the clinicians that can treat a pair of starts.
func (f *finder) pair(w1, w2 *want, k1, k2 *work, masks []Mask, a, b int, one, two cand, base joint, edge int) {
	for i, c1 := range w1.clinicians {
		if !k1.clinician[i].Has(a) {
			continue
		}
		for j, c2 := range w2.clinicians {
			if !k2.clinician[j].Has(b) || f.req.Continuity == RequireSame && c1 != c2 {
				continue
			}
			got, ok := f.joint(masks, use{c1, w1.clinician, a}, use{c2, w2.clinician, b}, f.w.Clinician)
			if !ok {
				continue
			}
			first, second := one, two
			first.clin, second.clin = int16(c1), int16(c2)
			if f.classes > 1 {
				first.class = int16(c1 - f.m.first[KindClinician])
				second.class = int16(c2 - f.m.first[KindClinician])
			}
			first.lost = base.own + got.own
			second.lost = base.cost + got.cost - first.lost
			first.cost = base.cost + got.cost + edge
			if first.class != second.class {
				first.cost += f.w.Change
			}
			if f.minute {
				first.cost = (a+b)*Grid + edge
			}
			first.pair = int32(len(f.pairs))
			f.pairs = append(f.pairs, second)
			f.cands = append(f.cands, first)
		}
	}
}

// cutPairs keeps the k cheapest pairs of each first and last class.
func (f *finder) cutPairs(first int) {
	found := f.cands[first:]
	slices.SortFunc(found, func(x, y cand) int {
		return cmp.Or(cmp.Compare(x.class, y.class), cmp.Compare(f.pairs[x.pair].class, f.pairs[y.pair].class), f.compareCands(x, y))
	})
	kept, run := 0, 0
	for i, c := range found {
		if i > 0 && (c.class != found[i-1].class || f.pairs[c.pair].class != f.pairs[found[i-1].pair].class) {
			run = 0
		}
		if run++; run <= f.k {
			found[kept] = c
			kept++
		}
	}
	f.cands = f.cands[:first+kept]
}

// use is a resource held for parts of a visit that begins at a cell.
type use struct {
	resource int
	parts    []stretch
	start    int
}

// joint returns the capacity lost when both are held, and false when they are
// one resource at one time.
func (f *finder) joint(masks []Mask, a, b use, weight int) (joint, bool) {
	own := weight * f.m.capacity.lostAll(&masks[a.resource], a.parts, a.start)
	if a.resource != b.resource {
		return joint{own + weight*f.m.capacity.lostAll(&masks[b.resource], b.parts, b.start), own}, true
	}
	left := masks[a.resource]
	for _, p := range a.parts {
		left.Clear(a.start+p.from, a.start+p.to)
	}
	for _, p := range b.parts {
		if !left.HasAll(b.start+p.from, b.start+p.to) {
			return joint{}, false
		}
	}
	return joint{own + weight*f.m.capacity.lostAll(&left, b.parts, b.start), own}, true
}

// serve finds the nurses, rooms and units that lose the least capacity together
// for two starts; of several equal sets the first in the order of the
// practice's lists, the first visit before the second.
func (f *finder) serve(w1, w2 *want, k1, k2 *work, masks []Mask, a, b int) (one, two cand, sum joint, ok bool) {
	one = cand{cell: int16(a), nurse: -1, pair: -1}
	two = cand{cell: int16(b), nurse: -1, pair: -1}
	if sum, ok = f.serveRooms(w1, w2, k1, k2, masks, a, b, &one, &two); !ok {
		return
	}
	n1, n2 := nursesAt(w1, k1, a), nursesAt(w2, k2, b)
	switch {
	case len(w1.nurse) > 0 && len(w2.nurse) > 0:
		best := joint{cost: math.MaxInt}
		for n1 := n1; n1 != nil; n1 = n1.rest() {
			for n2 := n2; n2 != nil; n2 = n2.rest() {
				got, fits := f.joint(masks, use{n1[0], w1.nurse, a}, use{n2[0], w2.nurse, b}, f.w.Nurse)
				if fits && got.cost < best.cost {
					best, one.nurse, two.nurse = got, int16(n1[0]), int16(n2[0])
				}
			}
		}
		if best.cost == math.MaxInt {
			return one, two, sum, false
		}
		sum.cost, sum.own = sum.cost+best.cost, sum.own+best.own
	case len(w1.nurse) > 0:
		l := f.cheapest(masks, n1, w1.nurse, a, &one.nurse)
		sum.cost, sum.own = sum.cost+l, sum.own+l
	case len(w2.nurse) > 0:
		sum.cost += f.cheapest(masks, n2, w2.nurse, b, &two.nurse)
	}
	return one, two, sum, true
}

type ids []int

func (l ids) rest() ids {
	if len(l) == 1 {
		return nil
	}
	return l[1:]
}

func nursesAt(w *want, k *work, cell int) ids {
	var out ids
	for i, n := range w.nurses {
		if k.nurse[i].Has(cell) {
			out = append(out, n)
		}
	}
	return out
}

func (f *finder) cheapest(masks []Mask, nurses ids, parts []stretch, cell int, nurse *int16) int {
	least := math.MaxInt
	for _, n := range nurses {
		if l := f.w.Nurse * f.m.capacity.lostAll(&masks[n], parts, cell); l < least {
			least, *nurse = l, int16(n)
		}
	}
	return least
}

func (f *finder) serveRooms(w1, w2 *want, k1, k2 *work, masks []Mask, a, b int, one, two *cand) (joint, bool) {
	f.options[0] = f.roomOptions(f.options[0][:0], w1, k1, masks, a)
	f.options[1] = f.roomOptions(f.options[1][:0], w2, k2, masks, b)
	best := joint{cost: math.MaxInt}
	for _, x := range f.options[0] {
		for _, y := range f.options[1] {
			got, fits := joint{x.cost + y.cost, x.cost}, true
			// Where both use one resource, what the second adds is counted on
			// what the first leaves.
			for i := 0; fits && i < 1+len(w1.kinds); i++ {
				for j := 0; fits && j < 1+len(w2.kinds); j++ {
					if x.resources[i] != y.resources[j] {
						continue
					}
					p, weight := w1.parts(i), f.weightOf(i)
					q := w2.parts(j)
					var both joint
					both, fits = f.joint(masks, use{int(x.resources[i]), p, a}, use{int(y.resources[j]), q, b}, weight)
					if fits {
						got.cost += both.cost - both.own - weight*f.m.capacity.lostAll(&masks[y.resources[j]], q, b)
					}
				}
			}
			if fits && got.cost < best.cost {
				best = got
				one.room, two.room = x.resources[0], y.resources[0]
				copy(one.units[:], x.resources[1:])
				copy(two.units[:], y.resources[1:])
			}
		}
	}
	return best, best.cost < math.MaxInt
}

// parts returns the parts of the room (0) or of a kind of equipment (1 and up).
func (w *want) parts(i int) []stretch {
	if i == 0 {
		return w.room
	}
	return w.kinds[i-1].parts
}

func (f *finder) weightOf(i int) int {
	if i == 0 {
		return f.w.Room
	}
	return f.w.Unit
}

// roomOptions lists every room with every choice of units that serve it.
func (f *finder) roomOptions(out []option, w *want, k *work, masks []Mask, cell int) []option {
	for i, r := range w.rooms {
		if !k.room[i].Has(cell) {
			continue
		}
		from := len(out)
		o := option{cost: f.w.Room * f.m.capacity.lostAll(&masks[r], w.room, cell)}
		o.resources[0] = int16(r)
		out = append(out, o)
		for j := range w.kinds {
			kind := &w.kinds[j]
			so := slices.Clone(out[from:])
			out = out[:from]
			for _, o := range so {
				for _, at := range kind.serves[i] {
					if k.unit[j][at].Has(cell) {
						u := kind.units[at]
						next := o
						next.resources[1+j] = int16(u)
						next.cost += f.w.Unit * f.m.capacity.lostAll(&masks[u], kind.parts, cell)
						out = append(out, next)
					}
				}
			}
		}
	}
	return out
}
