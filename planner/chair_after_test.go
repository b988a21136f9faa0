package planner_test

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// booked puts an appointment of the case into the diary.
func (s *chairSide) booked(day, minutes int) string {
	s.Helper()
	call := store.Call{Practice: strings.TrimPrefix(ours, "practices/"), Actor: "t", Role: store.RoleManager, Method: "/test/Book"}
	room, err := s.store.PutResource(s.T.Context(), call, store.Resource{ResourceRef: store.ResourceRef{Kind: store.KindRoom}, Name: fmt.Sprintf("Room %d", day), Active: true})
	s.must(err)
	start := s.began.AddDate(0, 0, day).Truncate(time.Hour)
	end := start.Add(time.Duration(minutes) * time.Minute)
	caseID := s.of.GetName()[strings.LastIndex(s.of.GetName(), "/")+1:]
	patientID := s.of.GetPatient()[strings.LastIndex(s.of.GetPatient(), "/")+1:]
	b, err := s.store.BookOffer(s.T.Context(), call, store.NewBooking{PatientID: patientID, Visits: []store.NewVisit{{
		Place: store.Place{Start: start, End: end, Zone: "Europe/Vienna", Local: start.Format("2006-01-02T15:04"), ZoneVersion: "test",
			Spans: []store.Span{{ResourceRef: room.ResourceRef, Start: start, End: end}}},
		Cases: []store.VisitOf{{CaseID: caseID, Revision: 1, Option: s.plan.GetRecommendedOption(), Visit: 2}}}}})
	s.must(err)
	return ours + "/appointments/" + b.Appointments[0].ID
}

func (s *chairSide) shapedAndDressed(end float64) *vw.ChairVisit {
	s.Helper()
	s.opened()
	s.mark(end-15, &vw.ChairMark{What: &vw.ChairMark_StageDone{StageDone: &vw.StageMark{Stage: "shape"}}})
	v, err := s.chair.EndVisit(s.clinician(), &vw.EndVisitRequest{Name: s.visit.GetName(), EndTime: s.at(end), RequestId: id(),
		Closing: &vw.VisitClosing{Medicament: "calcium-hydroxide", Temporary: "double-seal", SealMm: 4}})
	s.must(err)
	s.visit = v
	return v
}

func TestPlanningAnewSaysWhatBecomesOfWhatIsBooked(t *testing.T) {
	for _, row := range []struct {
		day, minutes int
		want         vw.BookingEffect_Effect
		text         string
	}{
		{14, 150, vw.BookingEffect_EFFECT_ENOUGH, "are enough"},
		{14, 20, vw.BookingEffect_EFFECT_TOO_SHORT, "20 minutes are booked"},
		{3, 150, vw.BookingEffect_EFFECT_OUTSIDE_WINDOW, "outside the window of 7 to 28 days"},
	} {
		b := newBench(t)
		s := b.inChair(90)
		appointment := s.booked(row.day, row.minutes)
		s.shapedAndDressed(75)
		r, err := b.chair.ReplanVisit(b.as(store.RoleReception), &vw.ReplanVisitRequest{Name: s.visit.GetName(), ValidateOnly: true})
		b.must(err)
		if len(r.GetBookings()) != 1 || r.GetBookings()[0].GetEffect() != row.want || r.GetBookings()[0].GetAppointment() != appointment || !strings.Contains(r.GetBookings()[0].GetText(), row.text) {
			t.Errorf("day %d, %d minutes: %v", row.day, row.minutes, r.GetBookings())
		}
		_, err = b.chair.ReplanVisit(b.as(store.RoleReception), &vw.ReplanVisitRequest{Name: s.visit.GetName(), RequestId: id()})
		b.refused(err, codes.PermissionDenied, "CLINICIAN_REQUIRED")
	}
}

func TestARepeatedReplanIsOneRevisionAndTheNextVisitBeginsWhereTheToothStands(t *testing.T) {
	b := newBench(t)
	s := b.inChair(90)
	s.shapedAndDressed(75)
	request := &vw.ReplanVisitRequest{Name: s.visit.GetName(), RequestId: id()}
	first, err := b.chair.ReplanVisit(b.clinician(), request)
	b.must(err)
	again, err := b.chair.ReplanVisit(b.clinician(), request)
	b.must(err)
	if first.GetPlan().GetRevision() != 2 || again.GetPlan().GetRevision() != 2 || again.GetPlan().GetRecommendedOption() != first.GetPlan().GetRecommendedOption() {
		t.Errorf("revisions %d and %d", first.GetPlan().GetRevision(), again.GetPlan().GetRevision())
	}
	b.clock.advance(14 * 24 * time.Hour)
	next, err := b.chair.BeginVisit(b.clinician(), &vw.BeginVisitRequest{Parent: s.of.GetName(), IdentityConfirmed: true, AlertsConfirmed: true, RequestId: id()})
	b.must(err)
	if next.GetState().GetStagesDone() != 2 || next.GetState().GetCanalsFound() != 3 || !strings.HasSuffix(next.GetName(), "/visits/2") || next.GetPart().GetVisit() != 1 {
		t.Errorf("the second visit begins at %v as %v", next.GetState(), next.GetPart())
	}
	for _, c := range next.GetCanals() {
		if c.GetState() != "shaped" {
			t.Errorf("%s is %s", c.GetCanal(), c.GetState())
		}
	}
	if way := next.GetAnswer().GetWays()[0]; way.GetId() != "finish" || way.GetOdds().GetProbability() < 0.3 {
		t.Errorf("ways %v", next.GetAnswer().GetWays())
	}
}

func TestACompleteToothLeavesNothingToPlanAndNoBookingNeeded(t *testing.T) {
	b := newBench(t)
	s := b.inChair(120)
	s.booked(14, 60)
	s.opened()
	model := func() *vw.TreatmentModel {
		full, err := b.GetPlan(b.clinician(), &vw.GetPlanRequest{Name: s.plan.GetName(), View: vw.PlanView_PLAN_VIEW_FULL})
		b.must(err)
		return full.GetWorkings().GetModel()
	}()
	for i, stage := range model.GetStages()[1:] {
		s.mark(60+25*float64(i), &vw.ChairMark{What: &vw.ChairMark_StageDone{StageDone: &vw.StageMark{Stage: stage.GetId()}}})
	}
	if a := s.visit.GetAnswer(); a.GetStep() != "closing" || len(a.GetWays()) != 1 {
		t.Errorf("everything done, and the answer is %v", a)
	}
	v, err := b.chair.EndVisit(b.clinician(), &vw.EndVisitRequest{Name: s.visit.GetName(), EndTime: s.at(100), RequestId: id(), Closing: &vw.VisitClosing{Temporary: "double-seal"}})
	b.must(err)
	r, err := b.chair.ReplanVisit(b.clinician(), &vw.ReplanVisitRequest{Name: v.GetName(), RequestId: id()})
	b.must(err)
	if !r.GetComplete() || r.GetPlan() != nil || len(r.GetBookings()) != 1 || r.GetBookings()[0].GetEffect() != vw.BookingEffect_EFFECT_NOT_NEEDED {
		t.Errorf("planned anew: %v", r)
	}
	c, err := b.GetCase(b.clinician(), &vw.GetCaseRequest{Name: s.of.GetName()})
	b.must(err)
	if c.GetState() != vw.Case_STATE_FILLED {
		t.Errorf("the case is %v", c.GetState())
	}
}

// The letter carries the practice's day, which is not everywhere that of Greenwich.
func TestTheLetterOfAStoppedTreatmentHasTheDayOfThePractice(t *testing.T) {
	b := newBench(t)
	settings, err := b.GetPracticeSettings(b.as(store.RoleManager), &vw.GetPracticeSettingsRequest{Name: ours + "/settings"})
	b.must(err)
	settings.Zone = "Pacific/Honolulu"
	_, err = b.UpdatePracticeSettings(b.as(store.RoleManager), &vw.UpdatePracticeSettingsRequest{Settings: settings, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"zone"}}})
	b.must(err)
	s := b.inChair(90)
	r, err := b.chair.StopTreatment(b.clinician(), &vw.StopTreatmentRequest{Name: s.visit.GetName(), Event: "not-restorable", EndTime: s.at(40), RequestId: id(),
		Closing: &vw.VisitClosing{Temporary: "double-seal"}})
	b.must(err)
	if !strings.Contains(r.GetReport(), "Visit 1, 2026-03-02,") { // 22:40 on Monday, there
		t.Errorf("the letter is dated otherwise:\n%s", r.GetReport())
	}
}

func TestStoppingTheTreatmentIsOneAction(t *testing.T) {
	b := newBench(t)
	s := b.inChair(90)
	appointment := s.booked(14, 60)
	s.opened()
	request := &vw.StopTreatmentRequest{Name: s.visit.GetName(), Event: "not-restorable", EndTime: s.at(40), RequestId: id(),
		Closing: &vw.VisitClosing{Medicament: "calcium-hydroxide", Temporary: "double-seal"}, Note: "extraction agreed, to be done elsewhere", ClosingReason: "transferred"}
	_, err := b.chair.StopTreatment(b.clinician(), proto.CloneOf(request))
	b.must(err)
	r, err := b.chair.StopTreatment(b.clinician(), request)
	b.must(err)
	if r.GetCase().GetState() != vw.Case_STATE_CLOSED || r.GetVisit().GetPhase() != vw.ChairVisit_PHASE_ENDED || r.GetVisit().GetEndsTreatment() == "" {
		t.Errorf("stopped as %v, %v", r.GetCase().GetState(), r.GetVisit().GetPhase())
	}
	if len(r.GetCancelledAppointments()) != 1 || r.GetCancelledAppointments()[0] != appointment {
		t.Errorf("cancelled %v", r.GetCancelledAppointments())
	}
	for _, want := range []string{"not restorable", "46, lower right first molar", "A-1001", "Canal MB: located", "double seal", "extraction agreed"} {
		if !strings.Contains(strings.ToLower(r.GetReport()), strings.ToLower(want)) {
			t.Errorf("the report does not say %q:\n%s", want, r.GetReport())
		}
	}
	if strings.Contains(r.GetReport(), "Lee") {
		t.Error("the report names the patient")
	}
}

// visitsOf plays n visits, each a case of its own, that take their mean minutes
// times a pace.
func (b *bench) visitsOf(n int, end float64) {
	b.Helper()
	for i := range n {
		c := b.molar(b.patient(fmt.Sprintf("P-%d-%.0f", i, end)))
		b.assessed(c)
		plan := b.planned(c)
		s := &chairSide{bench: b, began: b.clock.now(), of: c, plan: plan}
		v, err := b.chair.BeginVisit(b.treating("dr-a"), &vw.BeginVisitRequest{Parent: c.GetName(), IdentityConfirmed: true, AlertsConfirmed: true, AppointmentMinutes: 75, RequestId: id()})
		b.must(err)
		s.visit = v
		b.clock.advance(4 * time.Hour)
		s.shapedAndDressed(end)
		b.clock.advance(20 * time.Hour)
	}
}

func TestWhatVisitsTeachMovesTheNextPlanAndSaysHowManyStandBehindIt(t *testing.T) {
	b := newBench(t)
	b.doctor("dr-a")
	before := b.planned(func() *vw.Case { c := b.molar(b.patient("A-0")); b.assessed(c); return c }())
	if before.GetPace() != nil {
		t.Fatalf("nothing is logged, and the plan says %v", before.GetPace())
	}
	b.visitsOf(6, 110) // slow visits
	after := b.planned(func() *vw.Case { c := b.molar(b.patient("A-9")); b.assessed(c); return c }())
	if p := after.GetPace(); p.GetVisits() != 6 || p.GetSpeed() < 1.1 || !strings.Contains(p.GetText(), "6 visits") {
		t.Fatalf("after six slow visits: %v", p)
	}
	mean := func(p *vw.Plan) float64 {
		for _, o := range p.GetOptions() {
			if o.GetId() == "two-visits" {
				return o.GetTotalMinutes().GetMean()
			}
		}
		return math.NaN()
	}
	if mean(after) < 1.08*mean(before) {
		t.Errorf("two visits take %.0f minutes before and %.0f after six slow visits", mean(before), mean(after))
	}
	sheet, err := b.GetVisitSheet(b.clinician(), &vw.GetVisitSheetRequest{Parts: []*vw.VisitPart{{Plan: after.GetName(), Option: "two-visits", Visit: 1}}})
	b.must(err)
	if !strings.Contains(sheet.GetTeeth()[0].GetPace(), "6 visits") {
		t.Errorf("the sheet says %q", sheet.GetTeeth()[0].GetPace())
	}
}

func TestWhoSeesOneCliniciansFiguresIsASetting(t *testing.T) {
	b := newBench(t)
	b.doctor("dr-a")
	b.visitsOf(2, 75)
	own := func(list *vw.ListCalibrationsResponse) int {
		n := 0
		for _, c := range list.GetCalibrations() {
			if c.GetClinician() != "" {
				n++
			}
		}
		return n
	}
	see := func(who string) int {
		ctx := b.as(store.RoleManager)
		if who != "" {
			ctx = b.treating(who)
		}
		list, err := b.chair.ListCalibrations(ctx, &vw.ListCalibrationsRequest{Parent: ours})
		b.must(err)
		if len(list.GetCalibrations()) == 0 {
			t.Fatal("nothing is listed")
		}
		return own(list)
	}
	b.doctor("dr-b")
	if see("dr-a") != 1 || see("dr-b") != 0 || see("") != 0 {
		t.Errorf("by default: owner %d, colleague %d, manager %d", see("dr-a"), see("dr-b"), see(""))
	}
	_, err := b.chair.GetCalibrationReport(b.as(store.RoleManager), &vw.GetCalibrationReportRequest{Parent: ours, Clinician: b.doctors["dr-a"]})
	b.refused(err, codes.PermissionDenied, "ROLE_NOT_ALLOWED")
	settings, err := b.GetPracticeSettings(b.as(store.RoleManager), &vw.GetPracticeSettingsRequest{Name: ours + "/settings"})
	b.must(err)
	settings.ClinicianFigures = vw.FiguresSeenBy_FIGURES_SEEN_BY_MANAGER
	_, err = b.UpdatePracticeSettings(b.as(store.RoleManager), &vw.UpdatePracticeSettingsRequest{Settings: settings})
	b.must(err)
	if see("") != 1 || see("dr-b") != 0 {
		t.Errorf("manager %d, colleague %d", see(""), see("dr-b"))
	}
}

func TestTheReportScoresLengthsAgainstOneLengthForAllAndNamesTheStep(t *testing.T) {
	b := newBench(t)
	b.doctor("dr-a")
	b.visitsOf(4, 70)
	b.visitsOf(1, 95)
	last := b.clock.now()
	day := func(t time.Time) *date.Date {
		return &date.Date{Year: int32(t.Year()), Month: int32(t.Month()), Day: int32(t.Day())}
	}
	ask := func() *vw.CalibrationReport {
		r, err := b.chair.GetCalibrationReport(b.as(store.RoleManager), &vw.GetCalibrationReportRequest{Parent: ours, FirstDate: day(tuesday), LastDate: day(last)})
		b.must(err)
		return r
	}
	r := ask()
	if r.GetVisits() != 5 || r.GetWithin() != 4 || r.GetOverrunMinutes() != 20 || r.GetIdleMinutes() != 20 {
		t.Errorf("five visits of 70, 70, 70, 70 and 95 minutes in 75: %v", r)
	}
	if len(r.GetScores()) != 2 || r.GetScores()[1].GetId() != "always-60" || r.GetScores()[1].GetCost() <= r.GetScores()[0].GetCost() {
		t.Errorf("scores %v", r.GetScores())
	}
	total := int32(0)
	for _, n := range r.GetTenths() {
		total += n
	}
	if total != 5 || len(r.GetSteps()) == 0 || len(r.GetLines()) < 4 {
		t.Errorf("tenths %v, steps %d, lines %q", r.GetTenths(), len(r.GetSteps()), r.GetLines())
	}
	if again := ask(); !cmp.Equal(r, again, protocmp.Transform()) {
		t.Error("asked again, the report differs")
	}
	// What is remembered for plans is what the log says when it is read anew.
	kept, err := b.chair.ListCalibrations(b.treating("dr-a"), &vw.ListCalibrationsRequest{Parent: ours})
	b.must(err)
	anew, err := b.chair.ListCalibrations(b.treating("dr-a"), &vw.ListCalibrationsRequest{Parent: ours, Recalculate: true})
	b.must(err)
	if d := cmp.Diff(kept, anew, protocmp.Transform()); d != "" || len(kept.GetCalibrations()) != 2 || kept.GetCalibrations()[0].GetVisits() != 5 {
		t.Errorf("kept %v; read anew it differs: %s", kept, d)
	}
	none, err := b.chair.GetCalibrationReport(b.as(store.RoleManager), &vw.GetCalibrationReportRequest{Parent: ours, FirstDate: day(tuesday.AddDate(0, 0, -30)), LastDate: day(tuesday.AddDate(0, 0, -20))})
	b.must(err)
	if none.GetVisits() != 0 || len(none.GetLines()) != 1 {
		t.Errorf("an empty period: %v", none)
	}
	_, err = b.chair.GetCalibrationReport(b.as(store.RoleManager), &vw.GetCalibrationReportRequest{Parent: ours, FirstDate: day(last), LastDate: day(tuesday)})
	b.refused(err, codes.InvalidArgument, "END_BEFORE_START")
}

func TestTheVisitLogIsCorrectedAfterTheEndAndKeepsTheEarlierEntry(t *testing.T) {
	b := newBench(t)
	s := b.inChair(90)
	s.shapedAndDressed(75)
	m := &vw.ChairMark{Id: id(), Time: s.at(80), What: &vw.ChairMark_Log{Log: &vw.LogMark{ChairMinutes: proto.Float64(82), Reason: "the tablet was closed too early",
		Closing: &vw.VisitClosing{Medicament: "calcium-hydroxide", Temporary: "glass-ionomer", SealMm: 1.5}, Radiographs: []*vw.RadiographMark{{Justification: "seal looks thin"}}}}}
	v, err := b.chair.AddMarks(b.clinician(), &vw.AddMarksRequest{Name: s.visit.GetName(), Marks: []*vw.ChairMark{m}})
	b.must(err)
	if v.GetChairMinutes() != 82 || v.GetClosing().GetTemporary() != "glass-ionomer" || len(v.GetRadiographs()) != 1 {
		t.Errorf("the log says %v minutes, %v", v.GetChairMinutes(), v.GetClosing())
	}
	if v.GetReturnWindow().GetLatest().GetDays() >= s.visit.GetReturnWindow().GetLatest().GetDays() {
		t.Errorf("a thin seal moves the latest day from %d to %d", s.visit.GetReturnWindow().GetLatest().GetDays(), v.GetReturnWindow().GetLatest().GetDays())
	}
	ends := 0
	for _, e := range v.GetMarks() {
		if e.GetEnd().GetTemporary() == "double-seal" {
			ends++
		}
	}
	if ends != 1 {
		t.Error("the earlier entry is gone")
	}
}

func TestTheLimitOfTheDayCountsWhatWasGivenForAnotherTooth(t *testing.T) {
	b := newBench(t)
	s := b.inChair(90)
	solution := s.visit.GetAnaesthetic().GetAgents()[0].GetSolution()
	whole := s.visit.GetAnaesthetic().GetAgents()[0].GetMostCartridges()
	s.mark(2, &vw.ChairMark{What: &vw.ChairMark_Injection{Injection: &vw.GivenAnaesthetic{Solution: solution, Cartridges: 3}}})
	other, err := b.CreateCase(b.clinician(), &vw.CreateCaseRequest{Parent: ours, Case: &vw.Case{Patient: s.of.GetPatient(), Tooth: &vw.Tooth{Iso: "36"},
		Diagnosis: &vw.Diagnosis{Pulpal: "necrosis", Apical: "asymptomatic-apical-periodontitis"}}})
	b.must(err)
	b.assessed(other)
	b.planned(other)
	b.clock.advance(48 * time.Hour)
	begin := func(day int) *vw.ChairVisit {
		v, err := b.chair.BeginVisit(b.clinician(), &vw.BeginVisitRequest{Parent: other.GetName(), IdentityConfirmed: true, AlertsConfirmed: true,
			BeginTime: s.at(float64(60 + day*24*60)), ValidateOnly: true})
		b.must(err)
		return v
	}
	if v := begin(0); v.GetAnaesthetic().GetAgents()[0].GetMostCartridges() != whole-3 || len(v.GetGiven()) != 1 {
		t.Errorf("of %d cartridges %d are left on the same day; given %q", whole, v.GetAnaesthetic().GetAgents()[0].GetMostCartridges(), v.GetGiven())
	}
	if v := begin(1); v.GetAnaesthetic().GetAgents()[0].GetMostCartridges() != whole {
		t.Error("what was given yesterday counts today")
	}
}

func TestAForcedStopNamesItsDressingItsSealAndItsWindow(t *testing.T) {
	b := newBench(t)
	s := b.inChair(90)
	s.opened()
	v := s.mark(30, done("glide-path", "MB"))
	stop := v.GetAnswer().GetWays()[len(v.GetAnswer().GetWays())-1]
	if stop.GetId() != "partly-treated-infected" || stop.GetClosing().GetMedicament() != "calcium-hydroxide" || stop.GetClosing().GetTemporary() == "" || stop.GetReturnWindow() == nil || stop.GetText() == "" {
		t.Errorf("stop now: %v", stop)
	}
}

// A second visit that marks each of its own steps completes the treatment: what
// the first visit did to the canals need not be done again.
func TestASecondVisitStepByStepCompletesTheTreatment(t *testing.T) {
	b := newBench(t)
	s := b.inChair(90)
	s.shapedAndDressed(75)
	_, err := b.chair.ReplanVisit(b.clinician(), &vw.ReplanVisitRequest{Name: s.visit.GetName(), RequestId: id()})
	b.must(err)
	b.clock.advance(10 * 24 * time.Hour)
	v, err := b.chair.BeginVisit(b.clinician(), &vw.BeginVisitRequest{Parent: s.of.GetName(), IdentityConfirmed: true, AlertsConfirmed: true, RequestId: id()})
	b.must(err)
	s.visit, s.began = v, v.GetBeginTime().AsTime()
	b.clock.advance(2 * time.Hour)
	s.mark(3, done("identify", ""))
	s.mark(12, done("dam", ""))
	s.mark(20, done("cone-image", ""))
	for i, canal := range []string{"MB", "ML", "D"} {
		for j, step := range []string{"chelate", "dry", "fill"} {
			s.mark(22+float64(5*i+j), done(step, canal))
		}
	}
	if got := s.visit.GetState().GetStagesDone(); got != 3 {
		t.Fatalf("every canal is filled; %d stages are done, want 3", got)
	}
	ended, err := b.chair.EndVisit(b.clinician(), &vw.EndVisitRequest{Name: s.visit.GetName(), RequestId: id(), Closing: &vw.VisitClosing{Temporary: "glass-ionomer"}})
	b.must(err)
	c, err := b.GetCase(b.clinician(), &vw.GetCaseRequest{Name: s.of.GetName()})
	b.must(err)
	if c.GetState() != vw.Case_STATE_FILLED || ended.GetPhase() != vw.ChairVisit_PHASE_ENDED {
		t.Errorf("the case is %v", c.GetState())
	}
}

// Relief is one visit of its own: the tooth is not treated to its end by it, and
// the treatment that follows begins at its own beginning.
func TestReliefLeavesTheTreatmentStillToBeDone(t *testing.T) {
	b := newBench(t)
	c, err := b.CreateCase(b.clinician(), &vw.CreateCaseRequest{Parent: ours, Case: &vw.Case{Patient: b.patient("A-1").GetName(), Tooth: &vw.Tooth{Iso: "46"}, Protocol: "emergency-relief",
		Diagnosis: &vw.Diagnosis{Pulpal: "symptomatic-irreversible-pulpitis", Apical: "normal-apical-tissues"}}})
	b.must(err)
	_, err = b.Assess(b.clinician(), &vw.AssessRequest{Parent: c.GetName(), RequestId: id(), Findings: &vw.Findings{
		Diagnosis: &vw.Diagnosis{Pulpal: "symptomatic-irreversible-pulpitis", Apical: "normal-apical-tissues"}}})
	b.must(err)
	s := &chairSide{bench: b, of: c, plan: b.planned(c), began: tuesday}
	s.visit, err = b.chair.BeginVisit(b.clinician(), &vw.BeginVisitRequest{Parent: c.GetName(), IdentityConfirmed: true, AlertsConfirmed: true, BeginTime: s.at(0), RequestId: id()})
	b.must(err)
	b.clock.advance(2 * time.Hour)
	model := s.plan.GetWorkings().GetModel()
	minute := 0.0
	for _, x := range append(model.GetStart().GetOnce(), model.GetStages()[0].GetWork().GetOnce()...) {
		minute += 3
		s.mark(minute, done(x.GetId(), ""))
	}
	if got := s.visit.GetState().GetStagesDone(); got != 1 {
		t.Fatalf("everything is done; %d stages are, want 1", got)
	}
	_, err = b.chair.EndVisit(b.clinician(), &vw.EndVisitRequest{Name: s.visit.GetName(), RequestId: id(), Closing: &vw.VisitClosing{Medicament: "pulp-dressing", Temporary: "double-seal", SealMm: 4}})
	b.must(err)
	c, err = b.GetCase(b.clinician(), &vw.GetCaseRequest{Name: c.GetName()})
	b.must(err)
	if c.GetState() != vw.Case_STATE_IN_TREATMENT {
		t.Errorf("after relief the case is %v, want in treatment", c.GetState())
	}
	c.Protocol = "primary-treatment"
	c, err = b.UpdateCase(b.clinician(), &vw.UpdateCaseRequest{Case: c, RequestId: id()})
	b.must(err)
	b.planned(c)
	next, err := b.chair.BeginVisit(b.clinician(), &vw.BeginVisitRequest{Parent: c.GetName(), IdentityConfirmed: true, AlertsConfirmed: true, RequestId: id(), AppointmentMinutes: 90})
	b.must(err)
	if next.GetState().GetStagesDone() != 0 {
		t.Errorf("the treatment begins with %d of its stages done, want none", next.GetState().GetStagesDone())
	}
}

// The way to a stop before the canals are looked for can be told.
func TestARetreatmentOfTwoVisitsCanBeginInTheChair(t *testing.T) {
	b := newBench(t)
	retreated := &vw.Diagnosis{Pulpal: "previously-treated", Apical: "asymptomatic-apical-periodontitis"}
	c, err := b.CreateCase(b.clinician(), &vw.CreateCaseRequest{Parent: ours, Case: &vw.Case{Patient: b.patient("A-1").GetName(), Tooth: &vw.Tooth{Iso: "36"},
		Protocol: "retreatment", Diagnosis: retreated}})
	b.must(err)
	_, err = b.Assess(b.clinician(), &vw.AssessRequest{Parent: c.GetName(), RequestId: id(), Findings: &vw.Findings{Diagnosis: retreated}})
	b.must(err)
	b.planned(c)
	v, err := b.chair.BeginVisit(b.clinician(), &vw.BeginVisitRequest{Parent: c.GetName(), IdentityConfirmed: true, AlertsConfirmed: true, RequestId: id(), AppointmentMinutes: 90})
	b.must(err)
	ways := map[string]bool{}
	for _, w := range v.GetAnswer().GetWays() {
		ways[w.GetId()] = true
	}
	if !ways["finish"] || !ways["dismantled"] {
		t.Errorf("the ways on are %v, want to finish and to stop dismantled among them", v.GetAnswer().GetWays())
	}
}
