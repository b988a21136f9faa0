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
	allow := f.suits.allowed(w, d, di)
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
	if already >= VisitsTogether || !k.fill(w, masks, &allow) {
		return none
	}
	first := len(f.cands)
	f.singles(w, k, masks)
	if already == 0 && v+1 < len(f.wants) && f.wants[v+1].window.Earliest == 0 {
		f.together(v, di, masks)
	}
	return f.groupFrom(first)
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

// groupFrom sorts the candidates from first on into groups by class, keeps the
// best of each, and returns the node.
func (f *finder) groupFrom(first int) node {
	found := f.cands[first:]
	slices.SortFunc(found, f.compareCands)
	n := node{first: int32(len(f.groups))}
	kept := first
	for i := 0; i < len(found); {
		class := found[i].class
		g := group{class: class, first: int32(kept)}
		single := 0
		for ; i < len(found) && found[i].class == class; i++ {
			// Beyond the k cheapest none can be in the k best sets: what may
			// follow is the same for all of a class. Pairs end in other classes
			// and were cut before.
			if found[i].pair < 0 {
				if single++; single > f.k {
					continue
				}
			}
			f.cands[kept] = found[i]
			kept++
		}
		g.last = int32(kept)
		f.groups = append(f.groups, g)
	}
	f.cands = f.cands[:kept]
	n.last = int32(len(f.groups))
	return n
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
	case a.pair < 0 || b.pair < 0:
		return cmp.Compare(b.pair, a.pair) // a second visit the same day comes first
	default:
		return f.compareStarts(f.pairs[a.pair], f.pairs[b.pair])
	}
}
