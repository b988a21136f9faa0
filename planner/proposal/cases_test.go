package proposal

import (
	"encoding/json"
	"flag"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"

	"github.com/visitwright/visitwright/planner/anatomy"
	"github.com/visitwright/visitwright/planner/difficulty"
	"github.com/visitwright/visitwright/planner/visits"
)

var update = flag.Bool("update", false, "write the golden files anew")

// clinic is an invented practice that books in five minutes.
func clinic(testing.TB) Clinic {
	return Clinic{
		Cost: visits.Cost{Work: 1, Overrun: 2, Idle: 1, Visit: 30, Unused: 20}, Grid: visits.Grid{Least: 20, Most: 180, Step: 5},
		Microscope: true, Referral: difficulty.ReferFromHigh,
		UrgentInstruction: "Call the practice's urgent line; out of hours the hospital on duty.",
	}
}

// easy answers every question that a study ties to time.
func easy(changed difficulty.Answers) difficulty.Answers {
	a := difficulty.Answers{"root-curvature": "under-10", "apex-width": "closed", "axis": "in-line", "root-division": "usual", "tooth-length": "up-to-25",
		"canal-appearance": "visible", "crown-form": "normal", "periodontal-condition": "sound", "tilt": "under-10", "rotation": "under-10",
		"medical-history": "asa-1", "cooperation": "at-ease", "emergency": "little", "diagnosis": "clear", "isolation": "routine"}
	for k, v := range changed {
		a[k] = v
	}
	return a
}

// demo is the main case of the demo: 46, necrotic with an apical lesion, three
// canals expected, narrow mesial canals, a further distal canal possible.
func demo(t testing.TB) Input {
	t.Helper()
	return Input{
		Tooth: 46, Diagnosis: "necrotic-lesion", Conditions: []string{"caries", "narrow-mesial-canals"},
		Answers:  easy(difficulty.Answers{"root-curvature": "10-to-30"}),
		Evidence: []anatomy.Evidence{{Sign: anatomy.FastBreak}},
		Patient:  Patient{WeightKg: 70, OpeningMM: 44, Bear: visits.Bear{Minutes: 150, Chance: .1}, Alerts: []string{"latex"}},
		Clinic:   clinic(t),
	}
}

func vitalUpperMolar(t testing.TB) Input {
	t.Helper()
	return Input{Tooth: 16, Diagnosis: "irreversible-pulpitis", Conditions: []string{"caries"}, Answers: easy(nil),
		Patient: Patient{WeightKg: 62, Bear: visits.Bear{Minutes: 120, Chance: .2}}, Clinic: clinic(t)}
}

func retreatedLowerMolar(t testing.TB) Input {
	t.Helper()
	return Input{Tooth: 36, Diagnosis: "previously-treated-lesion", Conditions: []string{"crowned", "post"},
		Answers: easy(difficulty.Answers{"endodontic-history": "completed", "crown-form": "crowned", "canal-appearance": "reduced"}),
		Patient: Patient{WeightKg: 80, Bear: visits.Bear{Minutes: 150, Chance: .2}, Alerts: []string{"anticoagulant"}}, Clinic: clinic(t)}
}

func upperIncisor(t testing.TB) Input {
	t.Helper()
	return Input{Tooth: 11, Diagnosis: "necrotic", Answers: easy(nil), Patient: Patient{WeightKg: 55}, Clinic: clinic(t)}
}

func lowerPremolar(t testing.TB) Input {
	t.Helper()
	return Input{Tooth: 34, Diagnosis: "silent-irreversible-pulpitis", Conditions: []string{"caries"}, Answers: easy(nil),
		Evidence: []anatomy.Evidence{{Sign: anatomy.FastBreak}},
		Patient:  Patient{WeightKg: 70}, Clinic: clinic(t)}
}

func emergency(t testing.TB) Input {
	t.Helper()
	return Input{Tooth: 36, Protocol: "emergency-relief", Diagnosis: "irreversible-pulpitis", Conditions: []string{"caries"},
		Findings: Findings{Pain: true}, Answers: easy(difficulty.Answers{"emergency": "severe"}), Patient: Patient{WeightKg: 75}, Clinic: clinic(t)}
}

var kept sync.Map // plans by their input, so that each is computed once

func proposed(t testing.TB, in Input) Plan {
	t.Helper()
	key, err := json.Marshal(in)
	if err != nil {
		t.Fatal(err)
	}
	if p, ok := kept.Load(string(key)); ok {
		return p.(Plan)
	}
	p, err := Propose(in)
	if err != nil {
		t.Fatal(err)
	}
	kept.Store(string(key), p)
	return p
}

func TestThePlansOfTheMainCasesReadAsAClinicianExpects(t *testing.T) {
	for name, in := range map[string]Input{
		"46-necrotic-lesion": demo(t), "16-vital": vitalUpperMolar(t), "36-retreatment": retreatedLowerMolar(t),
		"11-necrotic": upperIncisor(t), "34-vital": lowerPremolar(t), "36-emergency": emergency(t),
	} {
		t.Run(name, func(t *testing.T) {
			p := proposed(t, in)
			sheet, err := VisitSheet([]Part{{Input: in, Plan: p, Visit: 1}})
			if err != nil {
				t.Fatal(err)
			}
			golden(t, name+".txt", p.Text()+"\n\n"+sheet.Text())
		})
	}
}

func golden(t *testing.T, file, got string) {
	t.Helper()
	path := filepath.Join("testdata", file)
	if *update {
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if !reads(string(want), got) {
		t.Errorf("%s differs; run go test ./planner/proposal -update and read the change\n%s", file, got)
	}
}

var number = regexp.MustCompile(`\d+(\.\d+)?`)

// reads reports whether two pages say the same: the same words in the same
// order, and each number within one of its last digit. A figure on the edge of
// its rounding may tip over when the quadrature is refined; a length on the
// practice's grid cannot.
func reads(a, b string) bool {
	if number.ReplaceAllString(a, "#") != number.ReplaceAllString(b, "#") {
		return false
	}
	left, right := number.FindAllString(a, -1), number.FindAllString(b, -1)
	for i, l := range left {
		r := right[i]
		unit := 1.0
		if _, decimals, ok := strings.Cut(l, "."); ok {
			unit = math.Pow(10, -float64(len(decimals)))
		}
		x, errX := strconv.ParseFloat(l, 64)
		y, errY := strconv.ParseFloat(r, 64)
		if errX != nil || errY != nil || math.Abs(x-y) > 1.5*unit {
			return false
		}
	}
	return true
}

func TestTheComparisonOfPagesSeesWhatAReaderWouldSee(t *testing.T) {
	page := "visit 1, 80 minutes (7 in 10 finish on time); 4.7 min"
	for other, same := range map[string]bool{
		page: true,
		"visit 1, 80 minutes (6 in 10 finish on time); 4.8 min":   true,
		"visit 1, 75 minutes (7 in 10 finish on time); 4.7 min":   false,
		"visit 1, 80 minutes (7 in 10 finish on time); 5.7 min":   false,
		"visit 1, 80 minutes (7 in 100 finish on time); 4.7 min":  false,
		"visit 1, 80 minutes (7 in 10 finish in time); 4.7 min":   false,
		"visit 1, 80 minutes (7 in 10 finish on time); 4.7 min\n": false,
	} {
		if reads(page, other) != same {
			t.Errorf("%q: want the same %v", other, same)
		}
	}
}
