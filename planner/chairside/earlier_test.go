package chairside

import (
	"testing"

	"github.com/visitwright/visitwright/planner/visits"
)

// secondVisit is the small molar after a visit that left it shaped and dressed.
func secondVisit(states map[string]CanalState) Plan {
	p := molar()
	p.Number, p.Begin = 2, visits.State{Stage: 2, Found: 3}
	for _, name := range []string{"MB", "ML", "D"} {
		p.Canals = append(p.Canals, Canal{Name: name, State: states[name]})
	}
	return p
}

func TestASecondVisitIsCompleteOnceItsOwnStepsAreDone(t *testing.T) {
	s := new(story).begin().did(3, "identify", "").did(12, "dam", "")
	for i, c := range []string{"MB", "ML", "D"} {
		s.did(20+float64(3*i), "fill", c)
	}
	v, err := Read(secondVisit(map[string]CanalState{"MB": Shaped, "ML": Dressed, "D": Shaped}), s.marks)
	if err != nil {
		t.Fatal(err)
	}
	if v.State.Stage != 3 {
		t.Errorf("the canals were shaped in the visit before and are filled now; the tooth stands at stage %d, want 3", v.State.Stage)
	}
}

func TestACanalThatWasSealedUnshapedIsCaughtUpInTheNextVisit(t *testing.T) {
	plan := secondVisit(map[string]CanalState{"MB": Shaped, "ML": Shaped, "D": Located})
	s := new(story).begin().did(3, "identify", "").did(12, "dam", "")
	for i, c := range []string{"MB", "ML", "D"} {
		s.did(20+float64(3*i), "fill", c)
	}
	v, err := Read(plan, s.marks)
	if err != nil {
		t.Fatal(err)
	}
	if v.State.Stage != 2 {
		t.Errorf("D was never shaped; the tooth stands at stage %d, want 2", v.State.Stage)
	}
	s.did(30, "glide-path", "D").did(33, "shape", "D")
	if v, err = Read(plan, s.marks); err != nil || v.State.Stage != 3 {
		t.Errorf("after D was shaped the tooth stands at stage %d (%v), want 3", v.State.Stage, err)
	}
}

func TestAStageThatWasBrokenOffBetweenCanalsGoesOnWithTheOthers(t *testing.T) {
	p := molar()
	p.Model.Stages[1].StopAfterCanal = true
	p.Model.Stages[1].Work.Once = []visits.Step{step("length-image")}
	p.Number, p.Begin = 2, visits.State{Stage: 1, Canal: 2, Found: 3}
	p.Canals = []Canal{{Name: "MB", State: Shaped}, {Name: "ML", State: Located}, {Name: "D", State: Shaped}}
	s := new(story).begin().did(3, "identify", "").did(12, "dam", "").did(20, "glide-path", "ML").did(23, "shape", "ML")
	v, err := Read(p, s.marks)
	if err != nil {
		t.Fatal(err)
	}
	if v.State != (visits.State{Stage: 2, Found: 3}) {
		t.Errorf("all canals are shaped over two visits; the tooth stands at %+v", v.State)
	}
}
