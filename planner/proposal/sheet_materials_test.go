package proposal

import (
	"slices"
	"strings"
	"testing"
)

// order lists the steps of the first tooth of a sheet.
func order(s Sheet) []string {
	var out []string
	for _, l := range s.Teeth[0].Steps {
		out = append(out, l.Step)
	}
	return out
}

func immature(t *testing.T, protocol string) Input {
	in := quick(t)
	in.Tooth, in.Protocol, in.Diagnosis = 11, protocol, "immature-necrotic"
	in.Findings.OpenApex = true
	return in
}

func TestTheSheetListsTheStepsInTheOrderInWhichTheyAreDone(t *testing.T) {
	for name, c := range map[string]struct {
		in    Input
		visit int
		order []string // in this order, others between them
	}{
		"dressed before it is sealed": {quick(t), 1, []string{"access", "locate", "working-length", "shape", "dress", "seal", "advise"}},
		"the paste before the seal":   {immature(t, "regenerative"), 1, []string{"access", "locate", "length-image", "regenerative-irrigation", "antibiotic-paste", "seal"}},
		"the clot before its cement":  {immature(t, "regenerative"), 2, []string{"remove-temporary", "remove-dressing", "induce-bleeding", "cap-clot", "seal"}},
		"the plug before its picture": {immature(t, "apical-plug"), 2, []string{"remove-dressing", "place-plug", "plug-image"}},
	} {
		t.Run(name, func(t *testing.T) {
			got := order(sheet(t, Part{Input: c.in, Plan: proposed(t, c.in), Option: "two-visits", Visit: c.visit}))
			at := -1
			for _, step := range c.order {
				i := slices.Index(got, step)
				if i <= at {
					t.Fatalf("%s stands wrong in %v", step, got)
				}
				at = i
			}
		})
	}
}

// A tooth that is only taken down, restored, reviewed or talked about is not
// dressed, and its sheet does not say that it is.
func TestTheSheetNamesADressingOnlyWhereOneMayBePlaced(t *testing.T) {
	for protocol, want := range map[string]struct{ dressing, temporary string }{
		"consultation": {"", ""}, "review": {"", ""}, "core": {"", ""}, "build-up": {"", ""},
		"temporary-repair": {"", "double seal"}, "investigate": {"none in this visit", "double seal"}, "vital-pulp": {"none in this visit", "double seal"},
		"re-dress": {"calcium hydroxide", "double seal"}, "emergency-relief": {"calcium hydroxide", "double seal"},
		"retreatment": {"calcium hydroxide, if the visit stops before its aim", "double seal"},
	} {
		t.Run(protocol, func(t *testing.T) {
			in := quick(t)
			in.Protocol = protocol
			switch protocol {
			case "vital-pulp":
				in.Diagnosis = "irreversible-pulpitis"
			case "retreatment":
				in.Diagnosis = "previously-treated"
			}
			s := sheet(t, Part{Input: in, Plan: proposed(t, in), Option: "one-visit", Visit: 1})
			if got := s.Teeth[0].Dressing; got != want.dressing {
				t.Errorf("dressing %q, want %q", got, want.dressing)
			}
			if got := s.Teeth[0].Temporary; !strings.HasPrefix(got, want.temporary) || (got == "") != (want.temporary == "") {
				t.Errorf("temporary %q, want %q", got, want.temporary)
			}
		})
	}
}

func TestWhereNoCanalIsEnteredThereIsNoTableOfCanalsAndNothingIsInjectedUnasked(t *testing.T) {
	in := quick(t)
	in.Protocol = "consultation"
	s := sheet(t, Part{Input: in, Plan: proposed(t, in), Visit: 1})
	if len(s.Teeth[0].Canals) != 0 || len(s.Anaesthetic.Lines) != 0 {
		t.Errorf("a consultation lists %v and %v", s.Teeth[0].Canals, s.Anaesthetic.Lines)
	}
}

// Two visits of an infected tooth are there for the dressing between them: the
// first does not end with a tooth that was merely taken down.
func TestTwoVisitsOfARetreatmentHaveADressingBetweenThem(t *testing.T) {
	in := quick(t)
	in.Protocol, in.Diagnosis = "retreatment", "previously-treated-lesion"
	p := proposed(t, in)
	if from := option(t, p, "two-visits").Visits[1].From; from != "shaped-and-dressed" {
		t.Errorf("the second visit begins at %s", from)
	}
	if from := option(t, p, "three-visits").Visits[1].From; from == "" {
		t.Error("three visits leave nothing between them")
	}
}

// What trials found in teeth with a closed apex is not said of an open one.
func TestATrialOfMatureTeethIsNoReasonInAnImmatureOne(t *testing.T) {
	for _, o := range proposed(t, immature(t, "apical-plug")).Options {
		for _, r := range o.Reasons {
			if strings.HasPrefix(r.Rule, "lesion") || r.Rule == "first-week" {
				t.Errorf("%s: %s", o.Title, r.Text)
			}
		}
	}
}

func TestTheSecondVisitOfTwoIsNotLaidOutForOpeningTheTooth(t *testing.T) {
	in := quick(t)
	p := proposed(t, in)
	first := sheet(t, Part{Input: in, Plan: p, Option: "two-visits", Visit: 1}).SetOut
	second := sheet(t, Part{Input: in, Plan: p, Option: "two-visits", Visit: 2}).SetOut
	for _, line := range []string{"matching cones, sealer, heat source", "holder for the final radiograph"} {
		if slices.Contains(first, line) || !slices.Contains(second, line) {
			t.Errorf("%q: first %v, second %v", line, first, second)
		}
	}
	if line := "access burs, endodontic explorer"; !slices.Contains(first, line) || slices.Contains(second, line) {
		t.Errorf("%q: first %v, second %v", line, first, second)
	}
}
