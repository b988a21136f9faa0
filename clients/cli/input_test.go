package cli

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

func TestTheDemoCaseIsReadFromItsFile(t *testing.T) {
	c, err := readCaseFile("../../testdata/demo/case-46.json", nil)
	if err != nil {
		t.Fatal(err)
	}
	if c.Case.GetTooth().GetIso() != "46" || c.Patient.GetReference() != "INVENTED-0046" || len(c.Findings.GetEvidence()) != 1 {
		t.Errorf("got %v, %v, %v", c.Case, c.Patient, c.Findings)
	}
}

func TestACaseFileOfFiftyMegabytesIsNotRead(t *testing.T) {
	name := filepath.Join(t.TempDir(), "big.json")
	f, err := os.Create(name)
	if err != nil {
		t.Fatal(err)
	}
	if err := f.Truncate(50 << 20); err != nil {
		t.Fatal(err)
	}
	if err := f.Close(); err != nil {
		t.Fatal(err)
	}
	_, err = readCaseFile(name, nil)
	if !errors.Is(err, ErrUsage) || !strings.Contains(err.Error(), "256 KiB") {
		t.Fatalf("got %v, want a refusal that names the limit", err)
	}
}

func TestAWrongCaseFileIsToldWhatWouldBeRight(t *testing.T) {
	for text, want := range map[string]string{
		``:                                     "ends too early",
		`{`:                                    "ends too early",
		`[]`:                                   "wrong type",
		`{"case": {"tooth": {"iso": "46"}}} x`: "follows the closing brace",
		`{"kase": {}}`:                         `unknown field "kase"`,
		`{"case": {"tooth": 46}}`:              "case file, case:",
		`{"case": {"toth": {"iso": "46"}}}`:    `unknown field "toth"`,
		`{"case": {}}`:                         "case.tooth",
		`{"findings": {"answers": 3}, "case": {"tooth": {"iso": "46"}}}`: "case file, findings:",
	} {
		_, err := parseCaseFile([]byte(text))
		if !errors.Is(err, ErrUsage) || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: got %v, want an error with %q", text, err, want)
		}
	}
}

func FuzzCaseFile(f *testing.F) {
	demo, err := os.ReadFile("../../testdata/demo/case-46.json")
	if err != nil {
		f.Fatal(err)
	}
	f.Add(demo)
	f.Add([]byte(`{"case": {"tooth": {"iso": "46"}}}`))
	f.Add([]byte(`{"patient": null, "case": {}}`))
	f.Fuzz(func(t *testing.T, text []byte) {
		c, err := parseCaseFile(text)
		if err == nil && c.Case.GetTooth().GetIso() == "" {
			t.Error("a case without a tooth was taken")
		}
		if err != nil && !errors.Is(err, ErrUsage) {
			t.Errorf("%v is not a usage error", err)
		}
	})
}

func TestSignsAreReadAsTyped(t *testing.T) {
	three := int32(3)
	for text, want := range map[string]*vw.Evidence{
		"canal-disappears-mid-root":        {Sign: "canal-disappears-mid-root"},
		"canal-disappears-mid-root=absent": {Sign: "canal-disappears-mid-root", Absent: true},
		"film-count=3":                     {Sign: "film-count", Count: &three},
	} {
		got, err := parseSign(text)
		if err != nil || got.String() != want.String() {
			t.Errorf("%q: got %v, %v; want %v", text, got, err, want)
		}
	}
	for _, text := range []string{"", "=3", "film-count=three", "film-count=3.5", "film-count=99999999999"} {
		if _, err := parseSign(text); !errors.Is(err, ErrUsage) {
			t.Errorf("%q: got %v, want a usage error", text, err)
		}
	}
}

func TestOneToothIsReadInThreeNotations(t *testing.T) {
	for _, text := range []string{"46", "LR6", "lr6", "#30"} {
		tooth, err := readTooth(text, vw.ToothNotation_TOOTH_NOTATION_ISO)
		if err != nil || tooth.GetIso() != "46" {
			t.Errorf("%q: got %v, %v; want 46, the lower right first molar", text, tooth, err)
		}
	}
	for text, want := range map[string]string{"85": "primary", "49": "", "": "", "#33": "", "molar": ""} {
		if _, err := readTooth(text, vw.ToothNotation_TOOTH_NOTATION_UNSPECIFIED); !errors.Is(err, ErrUsage) || !strings.Contains(err.Error(), want) {
			t.Errorf("%q: got %v, want a usage error with %q", text, err, want)
		}
	}
}

func TestABareNumberIsReadAsThePracticeShowsItsTeeth(t *testing.T) {
	// 18 is an upper right third molar by ISO 3950 and the lower left second
	// molar by universal numbers.
	for notation, want := range map[vw.ToothNotation]string{
		vw.ToothNotation_TOOTH_NOTATION_ISO: "18", vw.ToothNotation_TOOTH_NOTATION_QUADRANT: "18", vw.ToothNotation_TOOTH_NOTATION_UNIVERSAL: "37",
	} {
		tooth, err := readTooth("18", notation)
		if err != nil || tooth.GetIso() != want {
			t.Errorf("%v: got %v, %v; want %s", notation, tooth, err, want)
		}
	}
	if _, err := readTooth("19", vw.ToothNotation_TOOTH_NOTATION_ISO); err == nil || !strings.Contains(err.Error(), "'#19'") {
		t.Errorf("got %v, want an error that shows how a universal number is written", err)
	}
}

func TestAnAlertMayHaveADetailAndALastDay(t *testing.T) {
	a, err := parseAlert("antibiotic-course=clindamycin@2027-03-01")
	if err != nil || a.GetKind() != "antibiotic-course" || a.GetDetail() != "clindamycin" || sayDate(a.GetLastDate()) != "2027-03-01" {
		t.Errorf("got %v, %v", a, err)
	}
	if a, err := parseAlert("latex"); err != nil || a.GetKind() != "latex" || a.GetLastDate() != nil {
		t.Errorf("got %v, %v", a, err)
	}
	if _, err := parseAlert("latex@soon"); !errors.Is(err, ErrUsage) {
		t.Errorf("got %v, want a usage error", err)
	}
}

func TestWhatIsNotSaidOfAReferralStays(t *testing.T) {
	was := &vw.Referral{From: "an invented colleague", Question: "46?", Restores: vw.Party_PARTY_REFERRER, ProvisionalFromLetter: true}
	later := false
	f := CaseFlags{Urgency: "soon", Reviews: "here", FromLetter: &later}
	r, err := f.referral(was)
	if err != nil || r.GetFrom() != was.GetFrom() || r.GetQuestion() != "46?" || r.GetRestores() != vw.Party_PARTY_REFERRER ||
		r.GetUrgency() != vw.Referral_URGENCY_SOON || r.GetReviews() != vw.Party_PARTY_THIS_PRACTICE || r.GetProvisionalFromLetter() {
		t.Errorf("got %v, %v", r, err)
	}
	if r, err := (&CaseFlags{}).referral(was); r != nil || err != nil {
		t.Errorf("nothing was given, and %v is changed", r)
	}
}

func TestTreatmentBegunElsewhereMayHaveNoDay(t *testing.T) {
	f := CaseFlags{BegunDressing: "calcium-hydroxide"}
	b, err := f.begun(nil)
	if err != nil || b.GetVisitDate() != nil || b.GetDressing() != "calcium-hydroxide" || b.GetTemporary() != "unknown" || b.GetStop() != "unknown" {
		t.Errorf("got %v, %v", b, err)
	}
}

func TestFlagsBecomeFindings(t *testing.T) {
	three := int32(3)
	f := FindingsFlags{Diagnosis: "necrotic-lesion", RadiographCount: &three, Sign: []string{"canal-disappears-mid-root"}, Answer: []string{"crown-form=high"}, BearMinutes: 90}
	m, err := f.findings()
	if err != nil {
		t.Fatal(err)
	}
	if len(m.GetEvidence()) != 2 || m.GetEvidence()[0].GetCount() != 3 || m.GetAnswers()[0].GetAnswer() != "high" || m.GetTolerance().GetMinutes() != 90 {
		t.Errorf("got %v", m)
	}
	for _, bad := range []FindingsFlags{{Answer: []string{"crown-form"}}, {Answer: []string{"=high"}}, {BearMinutes: -5}, {Sign: []string{"=1"}}} {
		if _, err := bad.findings(); !errors.Is(err, ErrUsage) {
			t.Errorf("%+v: got %v, want a usage error", bad, err)
		}
	}
}

func TestAFigureIsReadAsTypedAndReplacesItself(t *testing.T) {
	o, err := parseFigure("steps.shape.median=8")
	if err != nil || o.GetFigure() != "steps.shape.median" || o.GetValue() != 8 {
		t.Errorf("got %v, %v", o, err)
	}
	for _, text := range []string{"steps.shape.median", "=8", "steps.shape.median=", "steps.shape.median=long"} {
		if _, err := parseFigure(text); !errors.Is(err, ErrUsage) {
			t.Errorf("%q: got %v, want a usage error", text, err)
		}
	}
	list := replaceFigure([]*vw.FigureOverride{{Figure: "steps.shape.median", Value: 6}}, o)
	if len(list) != 1 || list[0].GetValue() != 8 {
		t.Errorf("got %v, want the one figure with its new value", list)
	}
}

func TestADiagnosisIsProvisionalOnlyWhenItIsSaidToStandInTheLetter(t *testing.T) {
	atTheDesk := CaseFlags{Diagnosis: "necrosis", ReferredBy: "an invented colleague"}
	c, _, err := atTheDesk.message(&Session{}, nil)
	if err != nil || c.GetDiagnosis().GetProvisional() || c.GetReferral().GetProvisionalFromLetter() {
		t.Errorf("typed at the desk: %v, %v", c, err)
	}
	yes := true
	inTheLetter := CaseFlags{Diagnosis: "necrosis", ReferredBy: "an invented colleague", FromLetter: &yes}
	c, _, err = inTheLetter.message(&Session{}, nil)
	if err != nil || !c.GetDiagnosis().GetProvisional() || !c.GetReferral().GetProvisionalFromLetter() {
		t.Errorf("from the letter: %v, %v", c, err)
	}
}
