package chairside

import (
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"github.com/visitwright/visitwright/planner/visits"
)

var nine = time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)

func step(id string) visits.Step { return visits.Step{ID: id, Minutes: visits.Minutes{Median: 3}} }
func each(id string) visits.CanalStep {
	return visits.CanalStep{ID: id, Medians: []float64{3, 3, 3, 3}}
}

// molar is a small first molar: three canals expected, a fourth possible.
func molar() Plan {
	return Plan{
		Tooth: "46", Length: 75,
		Model: visits.Model{
			Canals: visits.CanalBelief{P: []float64{0, 0, 0, 0.7, 0.3}, Expected: 3, Names: []string{"MB", "ML", "D", "DL"}},
			Start:  visits.Block{Once: []visits.Step{step("identify"), step("dam")}},
			Stages: []visits.Stage{
				{ID: "open", Locates: true, Work: visits.Block{Once: []visits.Step{step("access")}, PerCanal: []visits.CanalStep{each("locate")}}},
				{ID: "shape", Work: visits.Block{PerCanal: []visits.CanalStep{each("glide-path"), each("shape")}}},
				{ID: "fill", Fills: true, Work: visits.Block{PerCanal: []visits.CanalStep{each("fill")}}},
			},
			Stops: make([]visits.Stop, 4),
		},
	}
}

// diary of a visit: minute, kind, and what it is about.
type story struct {
	marks []Mark
}

func (s *story) at(minute float64, m Mark) *story {
	m.ID = string(rune('a' + len(s.marks)))
	m.At = nine.Add(time.Duration(minute * float64(time.Minute)))
	s.marks = append(s.marks, m)
	return s
}

func (s *story) begin() *story { return s.at(0, Mark{Kind: Begin, Identity: true, Alerts: true}) }
func (s *story) did(minute float64, step, canal string) *story {
	return s.at(minute, Mark{Kind: StepDone, Step: step, Canal: canal})
}

func opened() *story {
	s := new(story).begin().did(3, "identify", "").did(12, "dam", "").did(18, "access", "")
	for i, c := range []string{"MB", "ML", "D"} {
		s.did(20+float64(i), "locate", c)
	}
	return s
}

func read(t testing.TB, s *story) Visit {
	t.Helper()
	v, err := Read(molar(), s.marks)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func TestPortionsCloseAtStoppingPointsWithTheirMinutes(t *testing.T) {
	v := read(t, opened())
	if v.State != (visits.State{Stage: 1, Found: 3}) || v.Start != 12 || len(v.Portion) != 1 || v.Portion[0].Minutes != 10 {
		t.Fatalf("state %+v, start %g, portions %+v", v.State, v.Start, v.Portion)
	}
	if got := v.InPortion(nine.Add(30 * time.Minute)); got != 8 {
		t.Errorf("eight minutes into shaping: %g", got)
	}
}

func TestAFurtherCanalIsCaughtUpBeforeItsStageCloses(t *testing.T) {
	s := opened()
	m := 25.0
	for _, c := range []string{"MB", "ML", "D"} {
		s.did(m, "glide-path", c).did(m+5, "shape", c)
		m += 10
	}
	if v := read(t, s); v.State.Stage != 2 {
		t.Fatalf("three canals shaped: %+v", v.State)
	}
	s.at(56, Mark{Kind: Happened, Event: "further-canal", Canal: "DL"})
	for i, c := range []string{"MB", "ML", "D"} {
		s.did(60+float64(i), "fill", c)
	}
	s.did(64, "fill", "DL")
	if v := read(t, s); v.State.Stage != 2 || v.State.Found != 4 {
		t.Errorf("DL was never shaped: %+v", v.State)
	}
	s.did(66, "glide-path", "DL").did(70, "shape", "DL")
	v := read(t, s)
	if v.State.Stage != 3 || v.Portion[2].Minutes != 20 || len(v.Portion[2].Events) != 1 {
		t.Errorf("%+v %+v", v.State, v.Portion)
	}
}

func TestTheCatchUpEntryStandsForWhatNobodyTapped(t *testing.T) {
	v := read(t, new(story).begin().at(40, Mark{Kind: StageDone, Stage: "shape"}))
	if v.State != (visits.State{Stage: 2, Found: 3}) {
		t.Fatalf("%+v", v.State)
	}
	for _, c := range v.Canals {
		if c.State != Shaped {
			t.Errorf("%s is %s", c.Name, c.State)
		}
	}
}

func TestPausesCountForTheClockAndNotForTheWork(t *testing.T) {
	s := opened().at(25, Mark{Kind: Pause}).at(35, Mark{Kind: Resume})
	v := read(t, s)
	if used, in := v.Used(nine.Add(40*time.Minute)), v.InPortion(nine.Add(40*time.Minute)); used != 40 || in != 8 {
		t.Errorf("used %g, in the portion %g", used, in)
	}
}

func TestFillingIsSpokenOfOnlyWithTheCheckAnswered(t *testing.T) {
	s := opened()
	r, err := read(t, s).Ready()
	if err != nil || r.MayFill || len(r.Unanswered) != 6 {
		t.Fatalf("%+v %v", r, err)
	}
	s.at(30, Mark{Kind: Check, Answers: &Answers{Dry: Yes, Quiet: Yes, ToLength: Yes, Irrigation: Yes, Numb: Yes}})
	if r, _ := read(t, s).Ready(); r.MayFill || r.Unanswered[0] != "consent covers it" {
		t.Errorf("%+v", r)
	}
	s.at(31, Mark{Kind: Check, Answers: &Answers{Covered: Yes}})
	if r, _ := read(t, s).Ready(); !r.MayFill {
		t.Errorf("%+v", r)
	}
	s.at(32, Mark{Kind: Happened, Event: "blocked-canal", Canal: "MB", Third: Apical})
	if r, _ := read(t, s).Ready(); r.MayFill || len(r.Against) == 0 {
		t.Errorf("a blocked canal is not decided: %+v", r)
	}
	s.at(33, Mark{Kind: CanalNote, Canal: "MB", Note: &Note{Decided: "filled to where it is open"}}).
		at(33, Mark{Kind: Consent, Reason: "the blocked part stays untreated"})
	if r, _ := read(t, s).Ready(); !r.MayFill {
		t.Errorf("decided and agreed: %+v", r)
	}
	s.at(34, Mark{Kind: Happened, Event: "weeping-canal", Canal: "D"})
	if r, _ := read(t, s).Ready(); r.MayFill || !r.Forbidden {
		t.Errorf("a weeping canal forbids filling: %+v", r)
	}
}

func TestTheWorkingLengthIsPresetAndQuestionedNotRefused(t *testing.T) {
	zero, long := 20.0, 28.0
	s := opened().at(24, Mark{Kind: CanalNote, Canal: "MB", Note: &Note{ZeroMM: &zero}})
	v := read(t, s)
	if c, _ := v.Canal("MB"); c.LengthMM != 19.5 || len(v.Warnings) != 0 {
		t.Errorf("%+v %v", c, v.Warnings)
	}
	s.at(25, Mark{Kind: CanalNote, Canal: "MB", Note: &Note{LengthMM: &long}})
	if v := read(t, s); len(v.Warnings) == 0 {
		t.Error("28 mm in a lower molar went without a word")
	}
}

func TestWhatCannotBeIsRefusedWithTheFieldAndWhatWouldBeRight(t *testing.T) {
	sixty := 60.0
	for name, row := range map[string]struct {
		s     *story
		field string
	}{
		"step marked before it began":   {opened().at(30, Mark{Kind: StepBegun, Step: "shape", Canal: "MB"}).did(29, "shape", "MB"), "at"},
		"times going backwards":         {opened().did(10, "shape", "MB"), "at"},
		"a length of 60 mm":             {opened().at(30, Mark{Kind: CanalNote, Canal: "MB", Note: &Note{ZeroMM: &sixty}}), "note.zero_mm"},
		"filling a canal given up":      {opened().at(30, Mark{Kind: CanalNote, Canal: "MB", Note: &Note{State: GivenUp}}).did(31, "fill", "MB"), "canal"},
		"an event after the end":        {opened().at(30, Mark{Kind: End, Closing: &Closing{}}).at(31, Mark{Kind: Happened, Event: "bleeding"}), "kind"},
		"a step before the begin":       {new(story).did(3, "dam", ""), "kind"},
		"no second identifier":          {new(story).at(0, Mark{Kind: Begin, Alerts: true}), "identity"},
		"alerts not confirmed":          {new(story).at(0, Mark{Kind: Begin, Identity: true}), "alerts"},
		"an unknown step":               {opened().did(30, "polish", ""), "step"},
		"a step done twice":             {opened().did(30, "access", ""), "step"},
		"an unknown event":              {opened().at(30, Mark{Kind: Happened, Event: "lunch"}), "event"},
		"a ledge without its third":     {opened().at(30, Mark{Kind: Happened, Event: "ledge", Canal: "MB"}), "third"},
		"a canal nobody found":          {opened().did(30, "shape", "XY"), "canal"},
		"a canal found twice":           {opened().at(30, Mark{Kind: Happened, Event: "further-canal", Canal: "MB"}), "canal"},
		"unjustified radiograph":        {opened().at(30, Mark{Kind: Radiograph}), "reason"},
		"a canal that joins itself":     {opened().at(30, Mark{Kind: Happened, Event: "canals-join", Canal: "D", Partner: "D", Third: Apical}), "partner"},
		"taking back what is not there": {opened().at(30, Mark{Kind: TakeBack, Of: "zz"}), "of"},
	} {
		_, err := Read(molar(), row.s.marks)
		var in *InputError
		if !errors.As(err, &in) || in.Field != row.field || in.Want == "" {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestACorrectionKeepsTheEarlierEntryAndChangesTheMinutes(t *testing.T) {
	s := opened()
	s.at(40, Mark{Kind: Correct, Of: s.marks[3].ID})
	s.marks[len(s.marks)-1].At = nine.Add(16 * time.Minute)
	v := read(t, s)
	if v.Work[2].Step != "access" || v.Work[2].Minutes != 4 {
		t.Errorf("%+v", v.Work)
	}
}

func TestATakenBackEventIsAsIfItHadNotHappened(t *testing.T) {
	s := opened()
	before := read(t, s)
	s.at(30, Mark{Kind: Happened, Event: "weeping-canal", Canal: "D"})
	if !read(t, s).Barred {
		t.Fatal("weeping does not bar filling")
	}
	s.at(31, Mark{Kind: TakeBack, Of: s.marks[len(s.marks)-1].ID})
	after := read(t, s)
	if after.Barred || len(after.Events) != 0 || after.State != before.State {
		t.Errorf("%+v", after)
	}
}

func TestEveryChairEventIsCompleteAndSaysWhereItComesFrom(t *testing.T) {
	list, err := Events()
	if err != nil {
		t.Fatal(err)
	}
	if len(list) != 20 {
		t.Errorf("%d events", len(list))
	}
	for _, e := range list {
		if e.Name == "" || e.First == "" || e.Rule.Why == "" {
			t.Errorf("%s: name, what to do first or the rule's reason is missing", e.ID)
		}
		if err := e.Rule.Mark.Validate(); err != nil {
			t.Errorf("%s: %v", e.ID, err)
		}
		if e.Minutes != nil {
			if err := e.Minutes.Mark.Validate(); err != nil {
				t.Errorf("%s: %v", e.ID, err)
			}
		}
		if e.ForcesStop && !e.BarsFilling {
			t.Errorf("%s forces a stop and would let the tooth be filled", e.ID)
		}
	}
}

// Whatever is tapped in whatever order, nothing panics, minutes are never
// negative, and a mark that is refused changes nothing.
func TestAnyOrderOfTapsGivesASoundVisit(t *testing.T) {
	steps := []string{"identify", "dam", "access", "locate", "glide-path", "shape", "fill"}
	rapid.Check(t, func(t *rapid.T) {
		s := new(story).begin()
		minute := 0.0
		for range rapid.IntRange(0, 40).Draw(t, "taps") {
			minute += rapid.Float64Range(0, 5).Draw(t, "gap")
			m := Mark{Kind: rapid.SampledFrom([]Kind{StepBegun, StepDone, StageDone, Pause, Resume, Happened}).Draw(t, "kind")}
			m.Step = rapid.SampledFrom(steps).Draw(t, "step")
			m.Canal = rapid.SampledFrom([]string{"", "MB", "ML", "D", "DL"}).Draw(t, "canal")
			m.Stage = rapid.SampledFrom([]string{"open", "shape", "fill"}).Draw(t, "stage")
			m.Event = rapid.SampledFrom([]string{"further-canal", "weeping-canal", "bleeding"}).Draw(t, "event")
			s.at(minute, m)
			if _, err := Read(molar(), s.marks); err != nil {
				s.marks = s.marks[:len(s.marks)-1]
			}
		}
		v, err := Read(molar(), s.marks)
		if err != nil {
			t.Fatal(err)
		}
		total := v.Start
		for _, p := range v.Portion {
			if p.Minutes < 0 {
				t.Fatalf("a portion of %g minutes", p.Minutes)
			}
			total += p.Minutes
		}
		if end := nine.Add(time.Duration(minute * float64(time.Minute))); total > v.Used(end)+1e-6 {
			t.Fatalf("%g minutes of work in %g of the clock", total, v.Used(end))
		}
	})
}

func TestErrorsSayWhatWouldBeRight(t *testing.T) {
	_, err := Read(molar(), opened().did(30, "shape", "XY").marks)
	if err == nil || !strings.Contains(err.Error(), "further-canal first") {
		t.Error(err)
	}
}

// An answer of yes spoke of what was known then.
func TestWhatTurnsUpLaterAsksTheCheckAgain(t *testing.T) {
	yes := &Answers{Dry: Yes, Quiet: Yes, ToLength: Yes, Irrigation: Yes, Numb: Yes, Covered: Yes}
	for event, want := range map[string][]string{
		"further-canal":       {"dry", "every canal to length or decided", "irrigation done"},
		"ledge":               {"every canal to length or decided"},
		"canal-not-found":     {"every canal to length or decided"},
		"bleeding":            {"dry"},
		"cannot-anaesthetise": {"numb"},
	} {
		happened := Mark{Kind: Happened, Event: event}
		switch event {
		case "further-canal":
			happened.Canal = "DL"
		case "ledge":
			happened.Canal, happened.Third = "MB", Apical
		}
		s := opened().at(30, Mark{Kind: Check, Answers: yes}).at(31, happened)
		r, err := read(t, s).Ready()
		if err != nil || r.MayFill || !slices.Equal(r.Unanswered, want) {
			t.Errorf("%s: may fill %v, unanswered %v, want %v: %v", event, r.MayFill, r.Unanswered, want, err)
		}
		s.at(40, Mark{Kind: Check, Answers: yes})
		if r, _ := read(t, s).Ready(); len(r.Unanswered) > 0 {
			t.Errorf("%s: answered again, still asks %v", event, r.Unanswered)
		}
	}
	no := opened().at(30, Mark{Kind: Check, Answers: &Answers{ToLength: No}}).at(31, Mark{Kind: Happened, Event: "further-canal", Canal: "DL"})
	if r, _ := read(t, no).Ready(); !r.Forbidden {
		t.Errorf("a no stays: %+v", r)
	}
}

// A question that the catalogue names and the check does not know would stay answered.
func TestEventsReopenQuestionsThatTheCheckAsks(t *testing.T) {
	events, err := Events()
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range events {
		for _, id := range e.Reopens {
			if !slices.ContainsFunc(questions, func(q question) bool { return q.id == id }) {
				t.Errorf("%s reopens %q, which is no question of the check", e.ID, id)
			}
		}
	}
}
