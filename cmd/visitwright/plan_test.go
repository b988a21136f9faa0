package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"google.golang.org/protobuf/encoding/protojson"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// The case of the demo from flags; testdata/demo/case-46.json has the same.
var demoFlags = []string{
	"--tooth", "46", "--diagnosis", "necrosis", "--apical", "asymptomatic-apical-periodontitis", "--radiograph-count", "3", "--factor", "narrow-mesial-canals",
	"--weight", "68", "--alert", "latex",
	"--answer", "medical-history=asa-1", "--answer", "anaesthesia-history=no-problem", "--answer", "trauma-history=none", "--answer", "cooperation=at-ease",
	"--answer", "emergency=little", "--answer", "diagnosis=clear", "--answer", "periodontal-condition=sound", "--answer", "mouth-opening=free",
	"--answer", "gag-reflex=none", "--answer", "radiographs=easy", "--answer", "apex-width=closed", "--answer", "axis=in-line",
	"--answer", "root-division=usual", "--answer", "tooth-length=up-to-25", "--answer", "canal-appearance=reduced", "--answer", "resorption=none",
	"--answer", "tilt=under-10", "--answer", "rotation=under-10", "--answer", "isolation=routine", "--answer", "crown-form=normal",
	"--answer", "endodontic-history=untreated",
}

func TestTheDemoPlansTheInventedCase(t *testing.T) {
	h := newHome(t)
	a := h.program("demo", "--print")
	if a.code != exitDone || a.err != "" {
		t.Fatalf("exit %d: %s", a.code, a.err)
	}
	out := a.out
	golden(t, "demo", out)
	for _, want := range []string{"46, lower right first molar", "Options side by side", "Return window", "If a further canal turns up", "Visit sheet, visit 1", "in 10"} {
		if !strings.Contains(out, want) {
			t.Errorf("the demo does not show %q", want)
		}
	}
}

func TestNoScreenOfTheDemoUsesTheWordsOfTheWorkings(t *testing.T) {
	text := strings.ToLower(newHome(t).must("demo", "--print"))
	for _, word := range []string{"theta", "posterior", "shared factor", "chain", "prior"} {
		if strings.Contains(text, word) {
			t.Errorf("the demo says %q", word)
		}
	}
}

func TestAPlanNeedsNoServerAndLeavesNothingBehind(t *testing.T) {
	h := newHome(t)
	a := h.program(append([]string{"plan"}, demoFlags...)...)
	if a.code != exitDone || a.err != "" {
		t.Fatalf("exit %d: %s", a.code, a.err)
	}
	golden(t, "plan-flags", a.out)
	if entries, err := os.ReadDir(h.dir); err != nil || len(entries) > 0 {
		t.Errorf("the data folder holds %v (%v), want nothing", entries, err)
	}
}

func TestAPlanUsesTheFiguresOfThePracticeAtHand(t *testing.T) {
	h := newHome(t)
	shipped := h.must(append([]string{"plan", "--no-sheet"}, demoFlags...)...)
	h.must("settings", "change", "--figure", "steps.shape.median=12", "--because", "timed here", "--notation", "quadrant")
	own := h.must(append([]string{"plan", "--no-sheet"}, demoFlags...)...)
	if own == shipped {
		t.Error("twice the minutes for shaping changed nothing")
	}
	if !strings.Contains(own, "LR6, lower right first molar") {
		t.Errorf("the practice's notation is not used:\n%s", own)
	}
	if out := h.must("patient", "list"); !strings.Contains(out, "No patients.") {
		t.Errorf("the plan left a patient behind:\n%s", out)
	}
}

func TestAPlanFromFileAndFromFlagsIsTheSame(t *testing.T) {
	h := newHome(t)
	file := h.must("plan", "--no-sheet", "--file", "../../testdata/demo/case-46.json")
	flags := h.must(append([]string{"plan", "--no-sheet"}, demoFlags...)...)
	if file != flags {
		t.Errorf("file and flags differ:\n%s", difference(file, flags))
	}
}

func TestTwoRunsGiveTheSameBits(t *testing.T) {
	h := newHome(t)
	plan := func() *vw.Plan {
		var p vw.Plan
		if err := protojson.Unmarshal([]byte(h.must(append([]string{"plan", "-o", "json"}, demoFlags...)...)), &p); err != nil {
			t.Fatal(err)
		}
		p.Name, p.Case, p.Etag, p.CreateTime, p.ProposedBy, p.Assessment.Name, p.Assessment.CreateTime, p.Assessment.AssessedBy = "", "", "", nil, nil, "", nil, nil
		return &p
	}
	a, b := protojson.Format(plan()), protojson.Format(plan())
	if a != b {
		t.Errorf("two runs differ:\n%s", difference(a, b))
	}
}

// Whoever has the JSON alone can simulate the plan again.
func TestThePlanInJSONCarriesTheCompleteModel(t *testing.T) {
	out := newHome(t).must(append([]string{"plan", "-o", "json"}, demoFlags...)...)
	var p vw.Plan
	if err := protojson.Unmarshal([]byte(out), &p); err != nil {
		t.Fatal(err)
	}
	m := p.GetWorkings().GetModel()
	if len(m.GetStages()) == 0 || len(m.GetStops()) != len(m.GetStages())+1 {
		t.Fatalf("%d stages and %d stops", len(m.GetStages()), len(m.GetStops()))
	}
	var sum float64
	for _, v := range m.GetCanals().GetProbabilities() {
		sum += v
	}
	if sum < 1-1e-9 || sum > 1+1e-9 {
		t.Errorf("the canal belief sums to %v", sum)
	}
	searches, gates, events := 0, 0, 0
	for _, s := range m.GetStages() {
		if s.GetDiscovery() > 0 {
			searches++
		}
		if s.GetGate() != nil {
			gates++
		}
		events += len(s.GetWork().GetEvents())
	}
	if searches == 0 || gates == 0 || events == 0 {
		t.Errorf("%d stages that search, %d gates, %d events: want some of each", searches, gates, events)
	}
	if m.GetCost().GetOverrun() <= 0 || m.GetGrid().GetStep() <= 0 || m.GetCapMinutes() <= 0 || m.GetClock() == "" || m.GetHorizon() <= 0 ||
		m.GetFactor().GetCaseLogSd() <= 0 || m.GetFactor().GetVisitLogSd() <= 0 || m.GetFactor().GetConvention() == "" {
		t.Errorf("cost %v, grid %v, cap %d, clock %q, horizon %d, spread %v", m.GetCost(), m.GetGrid(), m.GetCapMinutes(), m.GetClock(), m.GetHorizon(), m.GetFactor())
	}
	if len(p.GetWorkings().GetOptions()) != len(p.GetOptions()) || len(p.GetWorkings().GetTrace()) == 0 {
		t.Errorf("workings of %d options of %d, %d lines of trace", len(p.GetWorkings().GetOptions()), len(p.GetOptions()), len(p.GetWorkings().GetTrace()))
	}
	for _, o := range p.GetOptions() {
		if !o.GetFeasible() {
			continue
		}
		for _, v := range o.GetVisits() {
			var sum float64
			for _, q := range v.GetChairMinutes().GetProbabilities() {
				sum += q
			}
			if sum < 1-1e-6 || sum > 1+1e-6 || len(v.GetChairMinutes().GetQuantiles()) == 0 {
				t.Errorf("%s, visit %d: chair time sums to %v with %d quantiles", o.GetId(), v.GetNumber(), sum, len(v.GetChairMinutes().GetQuantiles()))
			}
		}
		for i := 1; i < len(o.GetCompleteBy()); i++ {
			if o.GetCompleteBy()[i].GetProbability() < o.GetCompleteBy()[i-1].GetProbability()-1e-12 {
				t.Errorf("%s: complete by visit %d is less likely than by the visit before", o.GetId(), i+1)
			}
		}
	}
	for _, w := range p.GetWorkings().GetOptions() {
		if len(w.GetPolicy().GetRows()) == 0 || len(w.GetLengths()) == 0 {
			t.Errorf("%s: %d rows of the table, %d lengths", w.GetOption(), len(w.GetPolicy().GetRows()), len(w.GetLengths()))
		}
	}
}

// Bad input: each gets a clear error that says what would be right, and nothing
// is kept.
func TestBadInputIsRefusedClearlyAndKeepsNothing(t *testing.T) {
	big := filepath.Join(t.TempDir(), "big.json")
	f, err := os.Create(big)
	if err != nil {
		t.Fatal(err)
	}
	if err := f.Truncate(50 << 20); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	h := newHome(t)
	s := h.serve()
	for _, c := range []struct {
		what string
		args string
		code int
		want []string
	}{
		{"an unknown tooth", "plan --tooth 49", exitUsage, []string{"49"}},
		{"a primary tooth", "plan --tooth 85", exitUsage, []string{"primary"}},
		{"an impossible canal count", "plan --tooth 46 --diagnosis necrotic-lesion --expected-canals 9", exitRefused, []string{"findings.expected_canals", "1 to 6"}},
		{"a count that no such tooth has", "plan --tooth 11 --diagnosis necrotic-lesion --expected-canals 6", exitRefused, []string{"IMPOSSIBLE_CANAL_COUNT"}},
		{"contradictory evidence", "plan --tooth 46 --diagnosis necrotic-lesion --sign canal-disappears-mid-root --sign canal-disappears-mid-root=absent", exitRefused, []string{"CONTRADICTORY_EVIDENCE"}},
		{"one film counted twice", "plan --tooth 46 --diagnosis necrotic-lesion --radiograph-count 2 --sign film-count=4", exitRefused,
			[]string{"CONTRADICTORY_EVIDENCE", "findings.evidence[0]", "findings.evidence[1]", "2 canals", "4 canals"}},
		{"a chance without its limit", "plan --tooth 46 --diagnosis necrotic-lesion --bear-chance 0.2", exitUsage, []string{"bear-chance", "bear-minutes"}},
		{"no diagnosis", "plan --tooth 46", exitUsage, []string{"--diagnosis", "catalogue pulpal-diagnoses"}},
		{"negative minutes", "plan --tooth 46 --diagnosis necrotic-lesion --bear-minutes=-5", exitUsage, []string{"bear-minutes"}},
		{"a weight of 0 kg", "plan --tooth 46 --diagnosis necrotic-lesion --weight 0", exitRefused, []string{"patient.weight_kg", "2 to 350"}},
		{"a weight of 700 kg", "plan --tooth 46 --diagnosis necrotic-lesion --weight 700", exitRefused, []string{"patient.weight_kg", "2 to 350"}},
		{"an unknown diagnosis", "plan --tooth 46 --diagnosis toothache", exitRefused, []string{"UNKNOWN_CATALOGUE_ID"}},
		{"an unknown sign", "plan --tooth 46 --diagnosis necrotic-lesion --sign gut-feeling", exitRefused, []string{"UNKNOWN_CATALOGUE_ID", "evidence"}},
		{"a plan file of 50 MB", "plan --file " + big, exitUsage, []string{"256 KiB"}},
	} {
		args := strings.Fields(c.args)
		for _, where := range [][]string{nil, {"--server", s.address, "--reference", "BAD-1"}} {
			if where != nil && strings.Contains(c.args, "--file") {
				where = where[:2]
			}
			a := h.program(append(args, where...)...)
			if a.code != c.code {
				t.Errorf("%s %v: exit %d, want %d: %s", c.what, where, a.code, c.code, a.err)
			}
			for _, want := range c.want {
				if !strings.Contains(a.err, want) {
					t.Errorf("%s %v: the error lacks %q: %s", c.what, where, want, a.err)
				}
			}
			if a.out != "" {
				t.Errorf("%s %v: something was shown all the same: %s", c.what, where, a.out)
			}
		}
	}
	if out := h.must("case", "list"); !strings.Contains(out, "No cases.") {
		t.Errorf("cases were kept:\n%s", out)
	}
	if out := h.must("patient", "list"); !strings.Contains(out, "No patients.") {
		t.Errorf("patients were kept:\n%s", out)
	}
}

func TestAPlanWithoutAnyOptionExplainsNoRecommendation(t *testing.T) {
	h := newHome(t)
	out := h.must("plan", "--tooth", "46", "--diagnosis", "necrosis", "--bear-minutes", "10")
	if strings.Contains(out, "* recommended") || strings.Contains(out, "Overrun and unused") || !strings.Contains(out, "none of the options can be booked") {
		t.Errorf("the page reads\n%s", out)
	}
}
