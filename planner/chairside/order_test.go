package chairside

import (
	"slices"
	"testing"
)

func undone(parts []Part) (left []string) {
	for _, p := range parts {
		for _, s := range p.Steps {
			if !s.Done {
				left = append(left, p.Stage+" "+s.Step+" "+s.Canal)
			}
		}
	}
	return left
}

func part(t *testing.T, parts []Part, stage string) Part {
	t.Helper()
	i := slices.IndexFunc(parts, func(p Part) bool { return p.Stage == stage })
	if i < 0 {
		t.Fatalf("%s is not in %+v", stage, parts)
	}
	return parts[i]
}

func TestTheOrderOfAVisitNamesEachStepOnEachCanalThatIsInHandOrExpected(t *testing.T) {
	v := read(t, new(story).begin())
	parts := molar().Order(v)
	if parts[0].Stage != Opening || parts[0].Done {
		t.Errorf("the visit does not begin with its opening: %+v", parts[0])
	}
	shape := part(t, parts, "shape")
	for _, name := range []string{"MB", "ML", "D"} {
		if !slices.ContainsFunc(shape.Steps, func(s PartStep) bool { return s.Step == "shape" && s.Canal == name && !s.Done }) {
			t.Errorf("%s is not to be shaped: %+v", name, shape)
		}
	}
}

func TestWhatIsDoneAndWhatIsGivenUpIsNotAskedForAgain(t *testing.T) {
	s := opened().did(25, "glide-path", "MB")
	s.at(26, Mark{Kind: CanalNote, Canal: "ML", Note: &Note{State: GivenUp}})
	parts := molar().Order(read(t, s))
	if !parts[0].Done {
		t.Errorf("the opening is over: %+v", parts[0])
	}
	shape := part(t, parts, "shape")
	for _, x := range shape.Steps {
		if x.Canal == "ML" || (x.Canal == "MB" && x.Done != (x.Step == "glide-path")) {
			t.Errorf("%+v", x)
		}
	}
}

func TestACanalThatWasSealedUnshapedStandsInTheOrderOfTheNextVisit(t *testing.T) {
	plan := secondVisit(map[string]CanalState{"MB": Shaped, "ML": Shaped, "D": Located})
	v, err := Read(plan, new(story).begin().marks)
	if err != nil {
		t.Fatal(err)
	}
	parts := plan.Order(v)
	for _, x := range part(t, parts, "shape").Steps {
		if x.Done != (x.Canal != "D") {
			t.Errorf("%+v", x)
		}
	}
	if slices.ContainsFunc(parts, func(p Part) bool { return p.Stage == "open" }) {
		t.Errorf("the tooth was opened in the visit before: %+v", parts)
	}
}

func TestACanalFoundLateIsCaughtUpAndNotLocatedAgain(t *testing.T) {
	s := opened().at(30, Mark{Kind: Happened, Event: "further-canal", Canal: "DL"})
	left := undone(molar().Order(read(t, s)))
	if slices.ContainsFunc(left, func(l string) bool { return l == "open locate DL" }) || !slices.Contains(left, "shape shape DL") {
		t.Errorf("left to do: %q", left)
	}
}
