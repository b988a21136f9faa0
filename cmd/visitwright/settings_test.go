package main

import (
	"encoding/json"
	"strings"
	"testing"
)

func TestEverySettingIsReachedFromTheCommandLineAndCanBeTakenBack(t *testing.T) {
	h := newHome(t)
	out := h.must("settings", "change", "--grid", "20-120/10", "--cost", "overrun=3", "--cost", "idle=1.5", "--edition", "2005-2010",
		"--cartridge", "1.7", "--inject", "articaine=4@epinephrine:200000", "--inject", "mepivacaine-plain=3", "--urgent-instruction", "Call the invented line.",
		"--instruct", "separated-instrument=Stop and take an image.", "--clinician-figures", "manager", "--core-same-visit", "--horizon", "3",
		"--without", "activate", "--figure", "steps.shape.median=8", "--because", "timed here")
	for _, want := range []string{"20 to 120 min, in steps of 10", "overrun 3, unused 1.5", "a further visit 30", "2005-2010", "1.7 ml", "articaine 4 % with epinephrine 1:200000",
		"mepivacaine plain 3 %", "Call the invented line.", "separated instrument: Stop and take an image.", "the clinician and the manager", "in the visit that fills",
		"plans follow       3 visits", "not done here      activate", "steps.shape.median = 8 (timed here)"} {
		if !strings.Contains(out, want) {
			t.Errorf("the settings do not show %q:\n%s", want, out)
		}
	}
	sequence := writeFile(t, `{"sequences": [{"sequence": "irrigation", "steps": [{"id": "our-rinse", "title": "our rinse", "minutes": {"median": 2, "log_sd": 0.2}}]}]}`)
	if out := h.must("settings", "change", "--file", sequence); !strings.Contains(out, "our rinse (2 min)") {
		t.Errorf("the own irrigation is not shown:\n%s", out)
	}
	out = h.must("settings", "change", "--with", "activate", "--no-figure", "steps.shape.median", "--no-instruct", "separated-instrument", "--no-sequence", "irrigation")
	for _, gone := range []string{"not done here", "our rinse", "separated instrument", "timed here"} {
		if strings.Contains(out, gone) {
			t.Errorf("%q is still there:\n%s", gone, out)
		}
	}
	for _, wrong := range [][]string{
		{"--with", "activate"}, {"--no-figure", "steps.shape.median"}, {"--no-instruct", "ledge"}, {"--no-sequence", "irrigation"},
		{"--grid", "20-120"}, {"--grid", "short"}, {"--cost", "overtime=2"}, {"--cost", "work"}, {"--inject", "articaine"}, {"--inject", "articaine=4@epinephrine"}, {"--instruct", "ledge"},
	} {
		if a := h.program(append([]string{"settings", "change"}, wrong...)...); a.code != exitUsage || !strings.Contains(a.err, wrong[0]) {
			t.Errorf("%v: exit %d, %s", wrong, a.code, a.err)
		}
	}
}

func TestAnIrrigationOfOurOwnIsWrittenStepByStep(t *testing.T) {
	h := newHome(t)
	h.must("settings", "change", "--figure", "steps.shape.median=8")
	out := h.must("settings", "change", "--own-step", "irrigation/our-rinse=2~0.2:hypochlorite 3 %, warmed", "--own-step", "irrigation/our-brush=1.5,scaled:brushed by hand",
		"--own-step", "irrigation/our-edta=1:EDTA 17 %")
	for _, want := range []string{"own irrigation     hypochlorite 3 %, warmed (2 min), brushed by hand (1.5 min, longer on a", "hard tooth), EDTA 17 % (1 min)", "steps.shape.median = 8"} {
		if !strings.Contains(out, want) {
			t.Errorf("the settings do not show %q:\n%s", want, out)
		}
	}
	// What is given replaces the sequence as a whole, and what is shown in JSON
	// is what was written.
	var kept struct {
		Sequences []struct {
			Sequence string
			Steps    []struct {
				ID, Title string
				Minutes   struct {
					Median float64
					LogSd  float64 `json:"log_sd"`
					Scaled bool
				}
			}
		}
	}
	out = h.must("settings", "change", "--own-step", "irrigation/our-brush=3~0.6,scaled:brushed by hand", "-o", "json")
	if err := json.Unmarshal([]byte(out), &kept); err != nil {
		t.Fatal(err)
	}
	if len(kept.Sequences) != 1 || kept.Sequences[0].Sequence != "irrigation" || len(kept.Sequences[0].Steps) != 1 {
		t.Fatalf("the own irrigation is %+v", kept.Sequences)
	}
	if s := kept.Sequences[0].Steps[0]; s.ID != "our-brush" || s.Title != "brushed by hand" || s.Minutes.Median != 3 || s.Minutes.LogSd != 0.6 || !s.Minutes.Scaled {
		t.Errorf("the own step is %+v", s)
	}
	if out := h.must("settings", "change", "--no-sequence", "irrigation"); strings.Contains(out, "brushed by hand") {
		t.Errorf("the own irrigation is still there:\n%s", out)
	}
	for wrong, want := range map[string]string{
		"our-rinse=2:rinse": "SEQUENCE/ID=", "irrigation/our-rinse=2": "for example our-rinse=2~0.2:", "irrigation/Our=2:rinse": "lower case", "irrigation/our-rinse=61:rinse": "0 to 60",
		"irrigation/our-rinse=2~9:rinse": "0 to 1.5", "irrigation/our-rinse=2:": "1 to 80 characters",
	} {
		if a := h.program("settings", "change", "--own-step", wrong); a.code != exitUsage || !strings.Contains(a.err, "--own-step") || !strings.Contains(a.err, want) {
			t.Errorf("%q: exit %d, %s", wrong, a.code, a.err)
		}
	}
	for wrong, want := range map[string]string{"irrigation/shape=2:rinse": "not the id of another step", "polishing/our-rinse=2:rinse": "irrigation"} {
		if a := h.program("settings", "change", "--own-step", wrong); a.code == 0 || !strings.Contains(a.err, want) {
			t.Errorf("%q: exit %d, %s", wrong, a.code, a.err)
		}
	}
}

func TestPeopleRoomsAndNamesInOtherSystemsAreKeptFromTheCommandLine(t *testing.T) {
	h := newHome(t)
	room := h.id(h.must("resource", "add", "room", "Room 1"), "-")
	out := h.must("resource", "change", room, "--title", "Room A", "--preparation", "5", "--no-active", "--external", "rooms=7")
	if !strings.Contains(out, "Room A") || !strings.Contains(out, "not in use") || !strings.Contains(out, "5 min before") {
		t.Errorf("the room was not changed:\n%s", out)
	}
	scope := h.id(h.must("resource", "add", "equipment", "Microscope 1", "--class", "microscope", "--room", room), "-")
	h.must("resource", "change", scope, "--all-rooms")
	clinician := h.id(h.must("clinician", "add", "Dr Invented", "--protocol", "retreatment"), "-")
	out = h.must("clinician", "change", clinician, "--title", "Dr Made-Up", "--protocol", "primary-treatment", "--protocol", "core")
	if !strings.Contains(out, "Dr Made-Up") || !strings.Contains(out, "primary-treatment,") {
		t.Errorf("the clinician was not changed:\n%s", out)
	}
	if out := h.must("clinician", "change", clinician, "--all-protocols"); !strings.HasSuffix(strings.TrimSpace(strings.Split(out, "\n")[2]), "all") {
		t.Errorf("the clinician does not do all protocols:\n%s", out)
	}
	h.must("patient", "add", "INVENTED-1", "--external", "records=4711")
	h.must("patient", "add", "INVENTED-2")
	h.must("case", "open", "--patient", "INVENTED-1", "--tooth", "46", "--external", "records=c-1")
	if out := h.must("patient", "list", "--external", "records=4711"); !strings.Contains(out, "INVENTED-1") || strings.Contains(out, "INVENTED-2") {
		t.Errorf("patients by the name in another system:\n%s", out)
	}
	if out := h.must("case", "list", "--external", "records=c-1"); !strings.Contains(out, "lower right first molar") {
		t.Errorf("cases by the name in another system:\n%s", out)
	}
	if out := h.must("case", "list", "--external", "records=c-2"); !strings.Contains(out, "No cases.") {
		t.Errorf("a case that has another name is found:\n%s", out)
	}
}
