package visits

// Fixed is a plan with one and the same go-on threshold everywhere, for
// comparison with the table.
type Fixed struct {
	LeastLeft int     `json:"least_left"` // minutes that must be left to go on, at every stopping point
	Cost      float64 `json:"cost"`
	CostMicro int64   `json:"cost_micro"`
	Lengths   []int   `json:"lengths"` // of the visits booked ahead
}

// BestFixedThreshold returns the best plan among those that go on whenever a
// fixed number of minutes is left, whatever the tooth's state, with lengths
// chosen for it. Errors are those of Solve.
func (s *Solver) BestFixedThreshold(m Model, o Option) (Fixed, error) {
	best, found := Fixed{}, false
	for left := 0; left <= m.Grid.Most; left++ {
		r, err := s.prepare(m, o)
		if err != nil {
			return Fixed{}, err
		}
		r.fixedLeft = &left
		r.choose()
		if r.short != nil {
			r.free()
			continue
		}
		res := r.result(0, r.followed())
		r.free()
		if !found || res.CostMicro < best.CostMicro {
			best, found = Fixed{LeastLeft: left, Cost: res.Cost, CostMicro: res.CostMicro}, true
			for _, v := range res.Visits[:r.o.BookedAhead] {
				best.Lengths = append(best.Lengths, v.Length)
			}
		}
	}
	if !found {
		return Fixed{}, ErrTooShort
	}
	return best, nil
}
