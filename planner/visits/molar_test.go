package visits

// lowerMolar is a lower first molar, necrotic: three canals expected, a further
// one possible. Figures invented for these tests, of realistic size.
func lowerMolar() Model {
	once := func(id string, median, sd float64) Step {
		return Step{ID: id, Minutes: Minutes{median, sd, true}}
	}
	each := func(id string, median, sd float64) CanalStep {
		m := make([]float64, 4)
		for i := range m {
			m[i] = median
		}
		m[0] *= 1.2 // narrow mesial canals
		m[1] *= 1.2
		return CanalStep{ID: id, Medians: m, LogSD: sd, Scaled: true}
	}
	dress := Block{Once: []Step{once("dress-and-seal", 8, 0.3)}}
	again := Block{Once: []Step{once("re-access", 5, 0.3)}}
	return Model{
		Protocol: "primary-treatment", Tooth: "46",
		Canals: CanalBelief{P: []float64{0, 0.01, 0.05, 0.64, 0.30}, Expected: 3, Names: []string{"MB", "ML", "D", "D2"}},
		Factor: Factor{CaseLogSD: 0.2, VisitLogSD: 0.1},
		Start: Block{
			Once: []Step{
				{ID: "checks", Minutes: Minutes{5, 0, false}},
				once("anaesthesia", 7, 0.3), once("dam", 5, 0.35)},
			Events: []Event{{ID: "failed-block", Probability: 0.15, Minutes: Minutes{9, 0.3, false}}},
		},
		Stages: []Stage{
			{ID: "access", Locates: true, Discovery: 0.45, Work: Block{Once: []Step{once("access", 8, 0.4), once("locate", 4, 0.5)}}},
			{ID: "shape", StopAfterCanal: true, Discovery: 0.15, Work: Block{
				PerCanal: []CanalStep{each("shape", 7, 0.4)},
				Events: []Event{
					{ID: "ledge", PerCanal: true, Probability: 0.05, Minutes: Minutes{8, 0.5, true}},
					{ID: "cannot-dry", PerCanal: true, Probability: 0.03, Minutes: Minutes{3, 0.3, true}, BarsFilling: true}}}},
			{ID: "fill", Fills: true, Discovery: 0.02, Gate: &Gate{FirstVisit: 0.85, AfterDress: 0.95, Check: Minutes{1, 0, false}},
				Work: Block{Once: []Step{once("final-irrigation", 4, 0.3)}, PerCanal: []CanalStep{each("fill", 5, 0.35)}, Contact: 3, Overlaps: []string{"final-irrigation"}}},
			{ID: "core", Work: Block{Once: []Step{once("core", 10, 0.3)}}},
		},
		Stops: []Stop{
			{ID: "before-access", End: Block{}},
			{ID: "located", Allowed: true, End: dress, Resume: again},
			{ID: "shaped", Allowed: true, End: dress, Resume: again},
			{ID: "filled", Allowed: true, End: Block{Once: []Step{once("temporary", 4, 0.3)}}, Resume: Block{Once: []Step{once("remove-temporary", 3, 0.3)}}},
			{ID: "complete", End: Block{Once: []Step{once("radiograph", 4, 0.3)}}},
		},
		Cost:    Cost{Work: 1, Overrun: 2, Idle: 0.7, Visit: 25, Unused: 20},
		Grid:    Grid{Least: 20, Most: 150, Step: 5},
		Horizon: 4, Cap: 480, Clock: NearestMinute,
	}
}
