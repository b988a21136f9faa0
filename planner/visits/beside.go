package visits

import "slices"

// lengthGroup is the states from which a visit begins with one length: all of a
// visit booked ahead, one of any other.
type lengthGroup struct {
	visit  int // from 0
	states []int
}

// lengthMove is a group with its length so many steps of the grid longer.
type lengthMove struct {
	group lengthGroup
	step  int
}

// lengthsBeside tries lengths beside those of the cheapest plan: of one visit, and
// of two visits booked ahead together, as long as there is work to be spent.
func (b *bounding) lengthsBeside() {
	if b.best == nil {
		return
	}
	for _, v := range b.visits {
		v.bounded = true // the lengths stay as they are asked for
	}
	b.again()
	b.present(b.best)
	groups := b.lengthGroups()
	var all [][]lengthMove
	for i, g := range groups {
		all = append(all, []lengthMove{{g, -1}}, []lengthMove{{g, 1}})
		for _, h := range groups[:i] {
			if b.visits[g.visit].ahead && b.visits[h.visit].ahead {
				all = append(all, []lengthMove{{g, -1}, {h, 1}}, []lengthMove{{g, 1}, {h, -1}})
			}
		}
	}
	// What was tried without gain since the last gain is not tried again.
	for next, vain := 0, 0; vain < len(all) && b.budget > 0; {
		if b.lengthBeside(all[next]) {
			vain = 0
			continue
		}
		next, vain = (next+1)%len(all), vain+1
	}
}

// again makes the cheapest plan the present one, with its prices.
func (b *bounding) again() {
	for j, p := range b.prices {
		b.visits[j].price = p
	}
	b.restore(b.best)
}

// lengthGroups are the groups whose lengths are worth trying.
func (b *bounding) lengthGroups() []lengthGroup {
	var all []lengthGroup
	for i, v := range b.visits {
		if v.fixed > 0 {
			continue
		}
		first := len(all)
		for x, s := range b.sp.states {
			switch {
			case b.sp.complete(s) || !b.begins(v, x):
			case v.ahead && len(all) > first:
				all[first].states = append(all[first].states, x)
			case v.ahead || v.starting(x)*float64(b.m.Grid.Step) >= oftenEnough:
				all = append(all, lengthGroup{i, []int{x}})
			}
		}
	}
	return all
}

// oftenEnough is how many minutes another length of a visit must change on average
// to be tried.
const oftenEnough = 0.5

// lengthBeside tries the cheapest plan with other lengths, and reports whether that
// is cheaper.
func (b *bounding) lengthBeside(moves []lengthMove) bool {
	b.again()
	for _, m := range moves {
		v := b.visits[m.group.visit]
		at, ok := slices.BinarySearch(b.grid, v.length[m.group.states[0]])
		if !ok || at+m.step < 0 || at+m.step >= len(b.grid) {
			return false
		}
		for _, x := range m.group.states {
			v.length[x] = b.grid[at+m.step]
		}
		v.same = false
	}
	before := b.cost
	b.settled()
	if b.bound() >= b.here-b.gain || b.holdAll() != nil {
		return false
	}
	start := b.snapshot()
	if b.gap() || b.budget <= 0 {
		return b.cost < before-b.gain
	}
	b.restore(start)
	for j, v := range b.visits {
		if v.bounded && b.passesMore(v)+b.off[j] > 0 {
			b.price(j)
		}
	}
	b.borne()
	return b.cost < before-b.gain
}

// bound is what no plan costs less than that keeps to the limit and differs from
// the present one by choices that the search has weighed.
func (b *bounding) bound() float64 {
	cost := b.expected()
	for i, v := range b.visits {
		cost += v.price * b.off[i]
	}
	return cost
}
