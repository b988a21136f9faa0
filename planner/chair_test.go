package planner_test

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// chairSide plays one visit on the main case: an accepted plan, a clock that
// starts when the patient sits down.
type chairSide struct {
	*bench
	of    *vw.Case
	plan  *vw.Plan
	visit *vw.ChairVisit
	began time.Time
	log   strings.Builder
}

func (b *bench) accepted() (*vw.Case, *vw.Plan) {
	b.Helper()
	c := b.molar(b.patient("A-1001"))
	b.assessed(c)
	plan := b.planned(c)
	plan, err := b.AcceptOption(b.clinician(), &vw.AcceptOptionRequest{Name: plan.GetName(), Option: plan.GetRecommendedOption(), RequestId: id(),
		Consent: &vw.Consent{Giver: vw.Consent_GIVER_PATIENT, Form: "written", AgreeTime: timestamppb.New(tuesday.Add(-time.Hour))}})
	b.must(err)
	return c, plan
}

func (b *bench) inChair(minutes int32) *chairSide {
	b.Helper()
	s := &chairSide{bench: b, began: tuesday}
	s.of, s.plan = b.accepted()
	v, err := b.chair.BeginVisit(b.clinician(), &vw.BeginVisitRequest{Parent: s.of.GetName(), IdentityConfirmed: true, AlertsConfirmed: true,
		BeginTime: timestamppb.New(s.began), AppointmentMinutes: minutes, RequestId: id()})
	b.must(err)
	s.visit = v
	b.clock.advance(4 * time.Hour) // marks are of the past
	return s
}

func (s *chairSide) at(minute float64) *timestamppb.Timestamp {
	return timestamppb.New(s.began.Add(time.Duration(minute * float64(time.Minute))))
}

func (s *chairSide) mark(minute float64, m *vw.ChairMark) *vw.ChairVisit {
	s.Helper()
	m.Id, m.Time = id(), s.at(minute)
	v, err := s.chair.AddMarks(s.clinician(), &vw.AddMarksRequest{Name: s.visit.GetName(), Marks: []*vw.ChairMark{m}})
	s.must(err)
	s.visit = v
	return v
}

func done(step, canal string) *vw.ChairMark {
	return &vw.ChairMark{What: &vw.ChairMark_StepDone{StepDone: &vw.StepMark{Step: step, Canal: canal}}}
}

func happened(event, canal, third, partner string) *vw.ChairMark {
	return &vw.ChairMark{What: &vw.ChairMark_Event{Event: &vw.EventMark{Event: event, Canal: canal, Third: third, Partner: partner}}}
}

// opened takes the visit to three located canals at minute 31.
func (s *chairSide) opened() {
	s.Helper()
	var marks []*vw.ChairMark
	add := func(minute float64, m *vw.ChairMark) {
		m.Id, m.Time = id(), s.at(minute)
		marks = append(marks, m)
	}
	known := map[string]bool{}
	model := s.plan.GetWorkings().GetModel()
	if model == nil {
		full, err := s.GetPlan(s.clinician(), &vw.GetPlanRequest{Name: s.plan.GetName(), View: vw.PlanView_PLAN_VIEW_FULL})
		s.must(err)
		model = full.GetWorkings().GetModel()
	}
	minute := 0.0
	for _, x := range model.GetStart().GetOnce() {
		minute += 3.4
		known[x.GetId()] = true
		add(minute, done(x.GetId(), ""))
	}
	for _, x := range model.GetStages()[0].GetWork().GetOnce() {
		minute += 4.5
		add(minute, done(x.GetId(), ""))
	}
	for _, c := range []string{"MB", "ML", "D"} {
		minute++
		add(minute, done("locate", c))
	}
	v, err := s.chair.AddMarks(s.clinician(), &vw.AddMarksRequest{Name: s.visit.GetName(), Marks: marks})
	s.must(err)
	s.visit = v
}

func TestAVisitBeginsOnlyWithIdentityAndAlertsConfirmed(t *testing.T) {
	b := newBench(t)
	c, _ := b.accepted()
	_, err := b.chair.BeginVisit(b.clinician(), &vw.BeginVisitRequest{Parent: c.GetName(), IdentityConfirmed: true})
	b.names(b.refused(err, codes.InvalidArgument, "IDENTITY_NOT_CONFIRMED"), "alerts_confirmed", "read out")
	request := &vw.BeginVisitRequest{Parent: c.GetName(), IdentityConfirmed: true, AlertsConfirmed: true, RequestId: id()}
	first, err := b.chair.BeginVisit(b.clinician(), request)
	b.must(err)
	if !strings.Contains(first.GetIdentity(), "46, lower right first molar") || first.GetPhase() != vw.ChairVisit_PHASE_RUNNING || first.GetAppointmentMinutes() == 0 {
		t.Errorf("began as %v", first)
	}
	again, err := b.chair.BeginVisit(b.clinician(), request)
	b.must(err)
	if again.GetName() != first.GetName() {
		t.Errorf("sent again it began %s", again.GetName())
	}
	request.RequestId = id()
	_, err = b.chair.BeginVisit(b.clinician(), request)
	b.refused(err, codes.FailedPrecondition, "VISIT_RUNNING")
}

// Spaces justify no radiograph and stand for no consent.
func TestBlankReasonsAreNoneAtTheChair(t *testing.T) {
	b := newBench(t)
	s := b.inChair(90)
	for field, m := range map[string]*vw.ChairMark{
		"radiograph.justification": {What: &vw.ChairMark_Radiograph{Radiograph: &vw.RadiographMark{Justification: "  "}}},
		"consent.covers":           {What: &vw.ChairMark_Consent{Consent: &vw.ConsentMark{Covers: "  "}}},
	} {
		m.Id, m.Time = id(), s.at(3)
		_, err := b.chair.AddMarks(b.clinician(), &vw.AddMarksRequest{Name: s.visit.GetName(), Marks: []*vw.ChairMark{m}})
		b.names(b.refused(err, codes.InvalidArgument, "MARK_DOES_NOT_FIT"), field, "")
	}
}

func TestALostConnectionLosesNothingAndCountsNothingTwice(t *testing.T) {
	b := newBench(t)
	s := b.inChair(90)
	one := &vw.ChairMark{Id: id(), Time: s.at(3), What: &vw.ChairMark_StepDone{StepDone: &vw.StepMark{Step: "identify"}}}
	two := &vw.ChairMark{Id: id(), Time: s.at(6), What: &vw.ChairMark_StepDone{StepDone: &vw.StepMark{Step: "anaesthetise"}}}
	_, err := b.chair.AddMarks(b.clinician(), &vw.AddMarksRequest{Name: s.visit.GetName(), Marks: []*vw.ChairMark{one}})
	b.must(err)
	for range 3 {
		v, err := b.chair.AddMarks(b.clinician(), &vw.AddMarksRequest{Name: s.visit.GetName(), Marks: []*vw.ChairMark{one, two}})
		b.must(err)
		if len(v.GetWork()) != 2 || v.GetMarkCount() != 3 {
			t.Fatalf("%d steps in %d entries", len(v.GetWork()), v.GetMarkCount())
		}
	}
	changed := proto.CloneOf(two)
	changed.What = &vw.ChairMark_StepDone{StepDone: &vw.StepMark{Step: "dam"}}
	_, err = b.chair.AddMarks(b.clinician(), &vw.AddMarksRequest{Name: s.visit.GetName(), Marks: []*vw.ChairMark{changed}})
	b.refused(err, codes.InvalidArgument, "REQUEST_ID_REUSED")
}

func TestALateEntryIsPutInItsPlaceAndACorrectionKeepsTheEarlier(t *testing.T) {
	b := newBench(t)
	s := b.inChair(90)
	s.mark(3, done("identify", ""))
	s.mark(10, done("onset-block", ""))
	late := done("anaesthetise", "")
	late.Late = true
	v := s.mark(5, late)
	if v.GetWork()[1].GetStep() != "anaesthetise" || v.GetWork()[1].GetMinutes() != 2 || v.GetWork()[2].GetMinutes() != 5 {
		t.Errorf("work %v", v.GetWork())
	}
	v = s.mark(4, &vw.ChairMark{What: &vw.ChairMark_Correction{Correction: &vw.CorrectionMark{Mark: v.GetMarks()[3].GetId(), Reason: "one minute earlier"}}})
	if v.GetWork()[1].GetMinutes() != 1 || v.GetMarkCount() != 5 || !v.GetMarks()[3].GetTime().AsTime().Equal(s.at(5).AsTime()) {
		t.Errorf("after the correction: work %v, %d entries", v.GetWork(), v.GetMarkCount())
	}
}

func TestWhatCannotHaveHappenedIsRefusedWithItsFieldAndNothingIsHalfKept(t *testing.T) {
	b := newBench(t)
	s := b.inChair(90)
	s.opened()
	before := s.visit.GetMarkCount()
	for name, row := range map[string]struct {
		minute      float64
		m           *vw.ChairMark
		field, want string
	}{
		"times going backwards":      {5, done("glide-path", "MB"), "marks[1].time", "backwards"},
		"a length of 60 mm":          {40, &vw.ChairMark{What: &vw.ChairMark_Canal{Canal: &vw.CanalMark{Canal: "MB", ZeroMm: proto.Float64(60)}}}, "marks[1].canal.zero_mm", "5 to 40 mm"},
		"a canal that nobody found":  {40, done("shape", "XY"), "marks[1].step_done.canal", "further-canal"},
		"a step done twice":          {40, done("access", ""), "marks[1].step_done.step", "another step"},
		"a third that is missing":    {40, happened("blocked-canal", "ML", "", ""), "marks[1].event.third", "coronal"},
		"an unjustified radiograph":  {40, &vw.ChairMark{What: &vw.ChairMark_Radiograph{Radiograph: &vw.RadiographMark{}}}, "marks[1].radiograph.justification", "why"},
		"taking back what is not":    {40, &vw.ChairMark{What: &vw.ChairMark_TakeBack{TakeBack: &vw.TakeBackMark{Mark: id()}}}, "marks[1].take_back.mark", "stands"},
		"a state that does not go":   {40, &vw.ChairMark{What: &vw.ChairMark_Canal{Canal: &vw.CanalMark{Canal: "MB", State: "polished"}}}, "marks[1].canal.state", "filled"},
		"a time that has not come":   {6 * 60, done("glide-path", "MB"), "marks[1].time", "the clock of the device"},
		"nothing at all":             {40, &vw.ChairMark{}, "marks[1]", "what happened"},
		"the log of a running visit": {40, &vw.ChairMark{What: &vw.ChairMark_Log{Log: &vw.LogMark{ChairMinutes: proto.Float64(50), Reason: "x"}}}, "marks[1].log", "after the end"},
	} {
		good := &vw.ChairMark{Id: id(), Time: s.at(32), What: &vw.ChairMark_Pause{Pause: &vw.PauseMark{}}}
		if row.m.GetStepDone() != nil {
			good.What = &vw.ChairMark_Check{Check: &vw.CheckMark{Numb: proto.Bool(true)}}
		}
		row.m.Id, row.m.Time = id(), s.at(row.minute)
		_, err := b.chair.AddMarks(b.clinician(), &vw.AddMarksRequest{Name: s.visit.GetName(), Marks: []*vw.ChairMark{good, row.m}})
		t.Log(name)
		b.names(b.refused(err, codes.InvalidArgument, "MARK_DOES_NOT_FIT"), row.field, row.want)
	}
	// A step marked before it began, and filling a canal that was given up.
	begun := &vw.ChairMark{Id: id(), Time: s.at(40), What: &vw.ChairMark_StepBegun{StepBegun: &vw.StepMark{Step: "shape", Canal: "MB"}}}
	early := done("shape", "MB")
	early.Id, early.Time = id(), s.at(39)
	_, err := b.chair.AddMarks(b.clinician(), &vw.AddMarksRequest{Name: s.visit.GetName(), Marks: []*vw.ChairMark{begun, early}})
	b.names(b.refused(err, codes.InvalidArgument, "MARK_DOES_NOT_FIT"), "marks[1].time", "backwards")
	given := &vw.ChairMark{Id: id(), Time: s.at(40), What: &vw.ChairMark_Canal{Canal: &vw.CanalMark{Canal: "D", State: "given-up"}}}
	filled := done("fill", "D")
	filled.Id, filled.Time = id(), s.at(45)
	_, err = b.chair.AddMarks(b.clinician(), &vw.AddMarksRequest{Name: s.visit.GetName(), Marks: []*vw.ChairMark{given, filled}})
	b.names(b.refused(err, codes.InvalidArgument, "MARK_DOES_NOT_FIT"), "marks[1].step_done.canal", "taken in hand again")
	after, err := b.chair.GetVisit(b.clinician(), &vw.GetVisitRequest{Name: s.visit.GetName()})
	b.must(err)
	if after.GetMarkCount() != before {
		t.Errorf("%d entries, want %d as before", after.GetMarkCount(), before)
	}
	_, err = b.chair.EndVisit(b.clinician(), &vw.EndVisitRequest{Name: s.visit.GetName(), EndTime: s.at(45), Closing: &vw.VisitClosing{Medicament: "chalk"}})
	b.refused(err, codes.InvalidArgument, "UNKNOWN_CATALOGUE_ID")
	_, err = b.chair.EndVisit(b.clinician(), &vw.EndVisitRequest{Name: s.visit.GetName(), EndTime: s.at(45), Closing: &vw.VisitClosing{Medicament: "calcium-hydroxide", Temporary: "double-seal"}, RequestId: id()})
	b.must(err)
	event := happened("bleeding", "", "", "")
	event.Id, event.Time = id(), s.at(50)
	_, err = b.chair.AddMarks(b.clinician(), &vw.AddMarksRequest{Name: s.visit.GetName(), Marks: []*vw.ChairMark{event}})
	b.names(b.refused(err, codes.InvalidArgument, "MARK_DOES_NOT_FIT"), "marks[0].event", "visit log")
}

func TestTheRunningTotalStandsAgainstTheLimitBeforeTheNextCartridge(t *testing.T) {
	b := newBench(t)
	s := b.inChair(90)
	before := s.visit.GetAnaesthetic().GetAgents()[0]
	v := s.mark(2, &vw.ChairMark{What: &vw.ChairMark_Injection{Injection: &vw.GivenAnaesthetic{Solution: before.GetSolution(), Cartridges: 2}}})
	after := v.GetAnaesthetic().GetAgents()[0]
	if after.GetMostCartridges() != before.GetMostCartridges()-2 || len(v.GetGiven()) != 1 || !strings.Contains(v.GetGiven()[0], "2 of ") {
		t.Errorf("before %d cartridges, after two %d; given %q", before.GetMostCartridges(), after.GetMostCartridges(), v.GetGiven())
	}
}

func TestThePracticesOwnInstructionStandsBeforeTheOneThatShips(t *testing.T) {
	b := newBench(t)
	settings, err := b.GetPracticeSettings(b.as(store.RoleManager), &vw.GetPracticeSettingsRequest{Name: ours + "/settings"})
	b.must(err)
	settings.ChairInstructions = []*vw.ChairInstruction{{Event: "medical-event", Text: "Red button; bag from room 2."}}
	_, err = b.UpdatePracticeSettings(b.as(store.RoleManager), &vw.UpdatePracticeSettingsRequest{Settings: settings})
	b.must(err)
	s := b.inChair(90)
	s.opened()
	v := s.mark(40, happened("medical-event", "", "", ""))
	if e := v.GetEvents()[0]; e.GetFirst() != "Red button; bag from room 2." || !e.GetOwnInstruction() || v.GetMustStop() == "" {
		t.Errorf("said %v", e)
	}
	back := s.mark(41, &vw.ChairMark{What: &vw.ChairMark_TakeBack{TakeBack: &vw.TakeBackMark{Mark: v.GetEvents()[0].GetMark()}}})
	if len(back.GetEvents()) != 0 || back.GetMustStop() != "" {
		t.Errorf("taken back: %v", back.GetEvents())
	}
}

func TestTheDemoCasePlayedThroughReadsAsAClinicianWouldSayIt(t *testing.T) {
	b := newBench(t)
	s := b.inChair(90)
	say := func(v *vw.ChairVisit) { s.say(v) }
	say(s.visit)
	s.opened()
	say(s.visit)
	minute := 27.0
	for _, step := range []string{"glide-path", "working-length", "shape", "activate"} {
		minute += 2
		s.mark(minute, done(step, "MB"))
	}
	s.mark(minute, &vw.ChairMark{What: &vw.ChairMark_Canal{Canal: &vw.CanalMark{Canal: "MB", ZeroMm: proto.Float64(20.5), ReferencePoint: "MB cusp", FileSize: proto.Int32(25), FileTaper: proto.Float64(0.06), Patent: proto.Bool(true)}}})
	say(s.mark(minute+3, happened("blocked-canal", "ML", "apical", "")))
	s.mark(45, done("glide-path", "ML"))
	s.mark(46, done("working-length", "ML"))
	say(s.mark(50, happened("further-canal", "DL", "", "")))
	say(s.mark(51, happened("canals-join", "DL", "apical", "D")))
	s.mark(53, &vw.ChairMark{What: &vw.ChairMark_Canal{Canal: &vw.CanalMark{Canal: "ML", Decided: "filled to where it is open, 3 mm short"}}})
	s.mark(53, &vw.ChairMark{What: &vw.ChairMark_Consent{Consent: &vw.ConsentMark{Covers: "the blocked part of ML stays untreated"}}})
	say(s.mark(54, &vw.ChairMark{What: &vw.ChairMark_Check{Check: &vw.CheckMark{Quiet: proto.Bool(true), Numb: proto.Bool(true), Covered: proto.Bool(true)}}}))
	s.mark(57, done("shape", "ML"))
	s.mark(58, done("activate", "ML"))
	for i, step := range []string{"glide-path", "working-length", "shape", "activate"} {
		s.mark(60+2*float64(i), done(step, "D"))
	}
	for i, step := range []string{"glide-path", "working-length", "shape", "activate"} {
		s.mark(68+1.5*float64(i), done(step, "DL"))
	}
	say(s.visit)
	preview, err := b.chair.ReplanVisit(b.clinician(), &vw.ReplanVisitRequest{Name: s.visit.GetName(), ValidateOnly: true})
	b.must(err)
	s.sayReplan("If dressed now", preview)
	v, err := b.chair.EndVisit(b.clinician(), &vw.EndVisitRequest{Name: s.visit.GetName(), EndTime: s.at(86), RequestId: id(),
		Closing: &vw.VisitClosing{Medicament: "calcium-hydroxide", Temporary: "double-seal", SealMm: 4}})
	b.must(err)
	s.visit = v
	w := v.GetReturnWindow()
	fmt.Fprintf(&s.log, "\nEnded after %.0f minutes. Return after %d to %d days, best after %d.\n", v.GetChairMinutes(), w.GetEarliest().GetDays(), w.GetLatest().GetDays(), w.GetTarget().GetDays())
	replan, err := b.chair.ReplanVisit(b.clinician(), &vw.ReplanVisitRequest{Name: v.GetName(), RequestId: id()})
	b.must(err)
	s.sayReplan("Planned anew", replan)
	if replan.GetPlan().GetRevision() != 2 || replan.GetPlan().GetCause() != "visit-ended" {
		t.Errorf("planned anew as revision %d because of %s", replan.GetPlan().GetRevision(), replan.GetPlan().GetCause())
	}
	golden(t, "played-through.golden", s.log.String())
}

func (s *chairSide) say(v *vw.ChairVisit) {
	a := v.GetAnswer()
	last := v.GetMarks()[len(v.GetMarks())-1].GetText()
	fmt.Fprintf(&s.log, "\nMinute %.0f: %s.\n", a.GetUsedMinutes(), last)
	if n := len(v.GetEvents()); n > 0 && strings.HasPrefix(last, strings.Split(v.GetEvents()[n-1].GetTitle(), ":")[0]) {
		fmt.Fprintf(&s.log, "  First: %s\n", v.GetEvents()[n-1].GetFirst())
	}
	fmt.Fprintf(&s.log, "  Now: %s%s. %.0f minutes left; expected end %s, %.0f to spare. %s.\n", a.GetStep(), before(", ", a.GetCanal()), a.GetLeftMinutes(),
		a.GetExpectedEnd().AsTime().Sub(s.began).Round(time.Minute), a.GetSpareMinutes(), a.GetOnTime().GetWords())
	for _, w := range a.GetWays() {
		fmt.Fprintf(&s.log, "  %-45s %s (%.0f minutes, 8 in 10 within %.0f)\n", w.GetTitle(), w.GetOdds().GetWords(), w.GetExpectedMinutes(), w.GetEightInTenMinutes())
	}
	fmt.Fprintf(&s.log, "  %s\n  %s\n", a.GetHeadline(), a.GetAdvice())
	for _, c := range a.GetWouldChange() {
		fmt.Fprintf(&s.log, "  %s\n", c)
	}
}

func before(sep, text string) string {
	if text == "" {
		return ""
	}
	return sep + text
}

func (s *chairSide) sayReplan(title string, r *vw.ReplanVisitResponse) {
	fmt.Fprintf(&s.log, "\n%s:\n", title)
	for _, d := range r.GetDifferences() {
		fmt.Fprintf(&s.log, "  %s\n", d)
	}
	if p := r.GetPlan().GetPace().GetText(); p != "" {
		fmt.Fprintf(&s.log, "  %s\n", p)
	}
}

func golden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if os.Getenv("VISITWRIGHT_UPDATE") != "" {
		if err := os.MkdirAll("testdata", 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("differs from %s (VISITWRIGHT_UPDATE=1 writes it anew):\n%s", path, got)
	}
}
