package diary

import (
	"cmp"
	"math"
	"math/bits"
	"slices"
)

// at returns the candidates of visit v on day d, computing them when they are
// first asked for.
func (f *finder) at(v, d int) *node {
	slot := &f.dayNode[v*len(f.m.days)+d]
	if *slot == 0 {
		n := f.evaluate(v, d)
		f.nodes = append(f.nodes, n)
		*slot = int32(len(f.nodes))
	}
	return &f.nodes[*slot-1]
}

func (f *finder) evaluate(v, di int) node {
	w, d, k := &f.wants[v], f.m.days[di], &f.works[0]
	none := node{int32(len(f.groups)), int32(len(f.groups))}
	allow, all := f.suits.allowed(w, d, di)
	if allow.Empty() {
		return none
	}
	already := 0 // places of the plan that are chosen on this day
	for _, on := range f.chosenOn {
		if on == di {
			already++
		}
	}
	masks := d.masks(f.now, f.req.Emergency)
	first := len(f.cands)
	if already < VisitsTogether && k.fill(w, d, masks, &allow) {
		f.singles(w, k, masks)
	}
	if all && already < VisitsTogether {
		f.learn(v, di, masks, f.cands[first:])
	}
	if len(f.cands) == first {
		return none
	}
	if already == 0 && v+1 < len(f.wants) && f.wants[v+1].window.Earliest == 0 {
		f.together(v, di, masks)
	}
	return f.groupFrom(v, first)
}

// singles appends a candidate for each start and clinician.
func (f *finder) singles(w *want, k *work, masks []Mask) {
	capacity := f.m.capacity
	for wd, word := range k.any {
		for ; word != 0; word &= word - 1 {
			cell := wd*64 + bits.TrailingZeros64(word)
			c := cand{cell: int16(cell), nurse: -1, pair: -1, class: 0}
			lost := f.bestRoom(w, k, masks, cell, &c)
			if len(w.nurse) > 0 {
				least := math.MaxInt
				for i, n := range w.nurses {
					if k.nurse[i].Has(cell) {
						if l := f.w.Nurse * capacity.lostAll(&masks[n], w.nurse, cell); l < least {
							least, c.nurse = l, int16(n)
						}
					}
				}
				lost += least
			}
			for i, clin := range w.clinicians {
				if !k.clinician[i].Has(cell) {
					continue
				}
				c.clin = int16(clin)
				if f.classes > 1 {
					c.class = int16(clin - f.m.first[KindClinician])
				}
				c.lost = lost + f.w.Clinician*capacity.lostAll(&masks[clin], w.clinician, cell)
				c.cost = c.lost
				if f.minute {
					c.cost = cell * Grid
				}
				f.cands = append(f.cands, c)
			}
		}
	}
}

// bestRoom sets the room and the units that lose the least capacity at the
// start, the first of several equal ones, and returns what they lose.
func (f *finder) bestRoom(w *want, k *work, masks []Mask, cell int, c *cand) int {
	capacity := f.m.capacity
	least := math.MaxInt
	for i, r := range w.rooms {
		if !k.room[i].Has(cell) {
			continue
		}
		lost := f.w.Room * capacity.lostAll(&masks[r], w.room, cell)
		if lost >= least {
			continue // its units cannot make it better than an earlier room
		}
		var units [MostEquipment]int16
		for j := range w.kinds {
			kind := &w.kinds[j]
			best := math.MaxInt
			for _, at := range kind.serves[i] {
				if k.unit[j][at].Has(cell) {
					u := kind.units[at]
					if l := f.w.Unit * capacity.lostAll(&masks[u], kind.parts, cell); l < best {
						best, units[j] = l, int16(u)
					}
				}
			}
			lost += best
		}
		if lost < least {
			least, c.room, c.units = lost, int16(r), units
		}
	}
	return least
}

// rank is a candidate's place among those of its node, and where it is.
type rank struct {
	least      int
	class      int16
	cell, clin int16
	pair       int32
	at         int32
}

// groupFrom sorts the candidates from first on into groups by class, keeps the
// best of each, and returns the node.
func (f *finder) groupFrom(v, first int) node {
	f.unsorted = append(f.unsorted[:0], f.cands[first:]...)
	f.ranks = f.ranks[:0]
	for i := range f.unsorted {
		c := &f.unsorted[i]
		c.least = c.cost + f.rest[v+1]
		if c.pair >= 0 {
			c.least = c.cost + f.rest[v+2]
		}
		f.ranks = append(f.ranks, rank{c.least, c.class, c.cell, c.clin, c.pair, int32(i)})
	}
	f.sortRanks()
	f.cands = f.cands[:first]
	n := node{first: int32(len(f.groups))}
	for i := 0; i < len(f.ranks); {
		class := f.ranks[i].class
		g := group{class: class, first: int32(len(f.cands))}
		single := 0
		for ; i < len(f.ranks) && f.ranks[i].class == class; i++ {
			// Beyond the k cheapest none can be in the k best sets: what may
			// follow is the same for all of a class. Pairs end in other classes
			// and were cut before.
			if f.ranks[i].pair < 0 {
				if single++; single > f.k {
					continue
				}
			}
			f.cands = append(f.cands, f.unsorted[f.ranks[i].at])
		}
		g.last = int32(len(f.cands))
		f.groups = append(f.groups, g)
	}
	n.last = int32(len(f.groups))
	return n
}

// sortRanks sorts by class, then by the order of candidates. There are rarely
// more than a few dozen, mostly in order already.
func (f *finder) sortRanks() {
	r := f.ranks
	if len(r) > 64 {
		slices.SortFunc(r, func(a, b rank) int {
			if f.before(&a, &b) {
				return -1
			}
			return 1
		})
		return
	}
	for i := 1; i < len(r); i++ {
		x := r[i]
		j := i
		for ; j > 0 && f.before(&x, &r[j-1]); j-- {
			r[j] = r[j-1]
		}
		r[j] = x
	}
}

func (f *finder) before(a, b *rank) bool {
	switch {
	case a.class != b.class:
		return a.class < b.class
	case a.least != b.least:
		return a.least < b.least
	case a.cell != b.cell:
		return a.cell < b.cell
	case a.clin != b.clin:
		return a.clin < b.clin
	case a.at == b.at:
		return false
	case a.pair < 0 || b.pair < 0:
		return a.pair > b.pair // a second visit the same day comes first
	}
	return f.compareStarts(f.pairs[a.pair], f.pairs[b.pair]) < 0
}

func (f *finder) compareCands(a, b cand) int {
	if c := cmp.Compare(a.class, b.class); c != 0 {
		return c
	}
	if c := cmp.Compare(a.cost, b.cost); c != 0 {
		return c
	}
	return f.compareStarts(a, b)
}

// compareStarts is the order of candidates of one day that cost the same.
func (f *finder) compareStarts(a, b cand) int {
	if c := cmp.Or(cmp.Compare(a.cell, b.cell), cmp.Compare(a.clin, b.clin)); c != 0 {
		return c
	}
	switch {
	case a.pair < 0 && b.pair < 0:
		return 0
	case a.pair < 0 || b.pair < 0:
		return cmp.Compare(b.pair, a.pair) // a second visit the same day comes first
	default:
		return f.compareStarts(f.pairs[a.pair], f.pairs[b.pair])
	}
}
