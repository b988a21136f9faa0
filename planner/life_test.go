package planner_test

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/google/go-cmp/cmp"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

func TestACaseGoesFromTheLetterToAnAcceptedPlanAndItsVisitSheet(t *testing.T) {
	for name, empty := range databases {
		t.Run(name, func(t *testing.T) { wholeLife(t, newBenchOn(t, empty(t))) })
	}
}

func wholeLife(t *testing.T, b *bench) {
	t.Helper()
	patient := b.patient("A-1001")

	// A letter comes: the tooth is not identified, what it says is provisional.
	c, err := b.CreateCase(b.as(store.RoleReception), &vw.CreateCaseRequest{Parent: ours, RequestId: id(), Case: &vw.Case{
		Patient:  patient.GetName(),
		Referral: &vw.Referral{From: "referring practice", Question: "pain on biting", Urgency: vw.Referral_URGENCY_SOON, Restores: vw.Party_PARTY_REFERRER, ProvisionalFromLetter: true}}})
	b.must(err)
	if c.GetTooth() != nil || !c.GetProvisional() || c.GetState() != vw.Case_STATE_REFERRED {
		t.Fatalf("a letter opened %v", c)
	}

	// The consultation identifies the tooth.
	c.Tooth = &vw.Tooth{Iso: "46"}
	c.Diagnosis = &vw.Diagnosis{Pulpal: "necrosis", Apical: "asymptomatic-apical-periodontitis"}
	c, err = b.UpdateCase(b.clinician(), &vw.UpdateCaseRequest{Case: c, RequestId: id()})
	b.must(err)
	if got := c.GetTooth().GetWords(); got != "lower right first molar" {
		t.Errorf("46 is shown as %q", got)
	}

	assessment := b.assessed(c)
	if assessment.GetVersion() != 1 || assessment.GetDifficulty().GetLevel() == vw.Difficulty_LEVEL_UNSPECIFIED {
		t.Errorf("assessed as %v", assessment.GetDifficulty())
	}
	if k := assessment.GetCanals().GetCounted(); k != vw.CanalCountKind_CANAL_COUNT_KIND_CANALS_TO_TREAT {
		t.Errorf("the forecast counts %v", k)
	}
	if p := assessment.GetCanals().GetFurtherCanal().GetProbability(); p <= 0 || p >= 1 {
		t.Errorf("a further canal has the odds %v", p)
	}
	after, err := b.GetCase(b.clinician(), &vw.GetCaseRequest{Name: c.GetName()})
	b.must(err)
	if after.GetState() != vw.Case_STATE_ASSESSED || after.GetProvisional() || after.GetLatestAssessment() != assessment.GetName() {
		t.Errorf("after the assessment the case is %v", after)
	}

	plan := b.planned(c)
	if plan.GetRevision() != 1 || plan.GetState() != vw.Plan_STATE_PROPOSED || plan.GetRecommendedOption() == "" || len(plan.GetOptions()) < 2 {
		t.Fatalf("planned %v %v %q with %d options", plan.GetRevision(), plan.GetState(), plan.GetRecommendedOption(), len(plan.GetOptions()))
	}
	checkOptions(t, plan)

	agreed := tuesday.Add(10 * time.Minute)
	b.clock.advance(time.Hour)
	accepted, err := b.AcceptOption(b.clinician(), &vw.AcceptOptionRequest{Name: plan.GetName(), Option: plan.GetRecommendedOption(), Etag: plan.GetEtag(), RequestId: id(),
		Consent: &vw.Consent{Giver: vw.Consent_GIVER_PATIENT, Form: "written", AgreeTime: timestamppb.New(agreed)}})
	b.must(err)
	if accepted.GetState() != vw.Plan_STATE_ACCEPTED || !accepted.GetAccepted().GetConsent().GetAgreeTime().AsTime().Equal(agreed) {
		t.Errorf("accepted %v", accepted.GetAccepted())
	}
	again, err := b.AcceptOption(b.clinician(), &vw.AcceptOptionRequest{Name: plan.GetName(), Option: plan.GetRecommendedOption(), RequestId: id()})
	b.must(err)
	if !again.GetAccepted().GetConsent().GetAgreeTime().AsTime().Equal(agreed) {
		t.Errorf("accepted again, the consent became %v", again.GetAccepted().GetConsent())
	}
	after, err = b.GetCase(b.clinician(), &vw.GetCaseRequest{Name: c.GetName()})
	b.must(err)
	if after.GetState() != vw.Case_STATE_PLANNED || after.GetLatestPlan() != plan.GetName() {
		t.Errorf("after the acceptance the case is %v", after)
	}

	sheet, err := b.GetVisitSheet(b.as(store.RoleNurse), &vw.GetVisitSheetRequest{Parts: []*vw.VisitPart{{Plan: plan.GetName(), Visit: 1}}})
	b.must(err)
	checkSheet(t, sheet, plan)

	stopped, err := b.StopCase(b.clinician(), &vw.StopCaseRequest{Name: c.GetName(), ClosingReason: "extracted", RequestId: id()})
	b.must(err)
	if stopped.GetCase().GetState() != vw.Case_STATE_CLOSED || stopped.GetCase().GetClosingReason() != "extracted" {
		t.Errorf("stopped as %v", stopped.GetCase())
	}
}

func checkOptions(t *testing.T, plan *vw.Plan) {
	t.Helper()
	for _, o := range plan.GetOptions() {
		if !o.GetFeasible() {
			if o.GetInfeasibleBecause() == "" {
				t.Errorf("%s cannot be done and does not say why", o.GetId())
			}
			continue
		}
		last := 0.0
		for _, c := range o.GetCompleteBy() {
			if c.GetProbability() < last-1e-12 {
				t.Errorf("%s: the odds of being complete fall from visit to visit", o.GetId())
			}
			last = c.GetProbability()
		}
		for i, v := range o.GetVisits() {
			if v.GetAppointmentMinutes() < 30 || v.GetAppointmentMinutes()%15 != 0 {
				t.Errorf("%s visit %d has %d minutes, off the grid of a new practice", o.GetId(), v.GetNumber(), v.GetAppointmentMinutes())
			}
			if i > 0 && v.GetReturnWindow() == nil {
				t.Errorf("%s visit %d says no return window", o.GetId(), v.GetNumber())
			}
			if sum := mass(v.GetChairMinutes()); sum < 1-1e-9 || sum > 1+1e-9 {
				t.Errorf("%s visit %d: the chances sum to %v", o.GetId(), v.GetNumber(), sum)
			}
		}
	}
	// An infected tooth dressed with calcium hydroxide is offered no return
	// before the seventh day (design: the minimum serves infected canals).
	for _, o := range plan.GetOptions() {
		if o.GetId() == "two-visits" && o.GetFeasible() && o.GetVisits()[1].GetReturnWindow().GetEarliest().GetDays() < 7 {
			t.Errorf("an infected tooth is offered a return on day %d", o.GetVisits()[1].GetReturnWindow().GetEarliest().GetDays())
		}
	}
	if plan.GetWorkings().GetModel() == nil || len(plan.GetWorkings().GetTrace()) == 0 {
		t.Error("the full view has no model or no trace")
	}
	for _, l := range plan.GetWorkings().GetTrace() {
		if l.GetProvenance().GetKind() == vw.Provenance_KIND_UNSPECIFIED || l.GetProvenance().GetSource() == "" {
			t.Fatalf("%s does not say where it comes from", l.GetSubject())
		}
	}
}

func mass(d *vw.Distribution) float64 {
	sum := 0.0
	for _, p := range d.GetProbabilities() {
		sum += p
	}
	return sum
}

func checkSheet(t *testing.T, sheet *vw.VisitSheet, plan *vw.Plan) {
	t.Helper()
	if !strings.Contains(sheet.GetIdentity().GetTeeth(), "46, lower right first molar") || sheet.GetIdentity().GetReference() != "A-1001" {
		t.Errorf("identity %v", sheet.GetIdentity())
	}
	if len(sheet.GetAlerts()) != 1 || sheet.GetAlerts()[0].GetEffect() == "" {
		t.Errorf("alerts %v", sheet.GetAlerts())
	}
	if len(sheet.GetTeeth()) != 1 || sheet.GetTeeth()[0].GetConsentGap() != "" || len(sheet.GetTeeth()[0].GetSteps()) == 0 || len(sheet.GetTeeth()[0].GetCanals()) < 3 {
		t.Errorf("the tooth's part is %v", sheet.GetTeeth())
	}
	if len(sheet.GetAnaesthetic().GetAgents()) == 0 || len(sheet.GetAnaesthetic().GetAgents()[0].GetArithmetic()) == 0 {
		t.Errorf("anaesthetic %v", sheet.GetAnaesthetic())
	}
	for _, o := range plan.GetOptions() {
		if o.GetId() == plan.GetRecommendedOption() && o.GetVisits()[0].GetAppointmentMinutes() != sheet.GetAppointmentMinutes() {
			t.Errorf("the sheet has %d minutes, the plan %d", sheet.GetAppointmentMinutes(), o.GetVisits()[0].GetAppointmentMinutes())
		}
	}
}

func TestAKeptRevisionNeverChangesWhateverThePracticeSetsLater(t *testing.T) {
	b := newBench(t)
	c := b.molar(b.patient("A-1"))
	b.assessed(c)
	first := b.planned(c)

	settings, err := b.GetPracticeSettings(b.as(store.RoleManager), &vw.GetPracticeSettingsRequest{Name: ours + "/settings"})
	b.must(err)
	settings.Grid = &vw.LengthGrid{Least: 40, Most: 120, Step: 20}
	settings.Cost.Overrun = 5
	_, err = b.UpdatePracticeSettings(b.as(store.RoleManager), &vw.UpdatePracticeSettingsRequest{Settings: settings, RequestId: id()})
	b.must(err)
	second := b.planned(c)
	if second.GetRevision() != 2 {
		t.Fatalf("the second plan is revision %d", second.GetRevision())
	}

	again, err := b.GetPlan(b.clinician(), &vw.GetPlanRequest{Name: first.GetName(), View: vw.PlanView_PLAN_VIEW_FULL})
	b.must(err)
	if again.GetState() != vw.Plan_STATE_SUPERSEDED {
		t.Errorf("the first revision is %v", again.GetState())
	}
	again.State, again.Etag = first.GetState(), first.GetEtag()
	if diff := cmp.Diff(first, again, protocmp.Transform()); diff != "" {
		t.Errorf("the first revision changed:\n%s", diff)
	}

	compared, err := b.ComparePlans(b.clinician(), &vw.ComparePlansRequest{FromPlan: first.GetName(), ToPlan: second.GetName()})
	b.must(err)
	if len(compared.GetChanges()) == 0 {
		t.Fatal("nothing differs although the practice books other lengths")
	}
	for _, change := range compared.GetChanges() {
		if change.GetBecause() != "the practice's settings changed" || change.GetText() == "" || change.GetBefore() == change.GetAfter() {
			t.Errorf("a change is %v", change)
		}
	}
	same, err := b.ComparePlans(b.clinician(), &vw.ComparePlansRequest{FromPlan: first.GetName(), ToPlan: first.GetName()})
	b.must(err)
	if len(same.GetChanges()) != 0 {
		t.Errorf("a revision differs from itself: %v", same.GetChanges())
	}

	listed, err := b.ListPlanRevisions(b.clinician(), &vw.ListPlanRevisionsRequest{Parent: c.GetName(), PageSize: 1})
	b.must(err)
	if len(listed.GetPlans()) != 1 || listed.GetPlans()[0].GetRevision() != 2 || listed.GetNextPageToken() == "" {
		t.Fatalf("the first page has %d plans", len(listed.GetPlans()))
	}
	listed, err = b.ListPlanRevisions(b.clinician(), &vw.ListPlanRevisionsRequest{Parent: c.GetName(), PageSize: 1, PageToken: listed.GetNextPageToken()})
	b.must(err)
	if len(listed.GetPlans()) != 1 || listed.GetPlans()[0].GetRevision() != 1 || listed.GetNextPageToken() != "" {
		t.Errorf("the second page has %v", listed)
	}
}

// The same binary and the same input give the same bits.
func TestTheSameFindingsGiveTheSamePlan(t *testing.T) {
	b := newBench(t)
	c := b.molar(b.patient("A-1"))
	b.assessed(c)
	first, second := b.planned(c), b.planned(c)
	for _, p := range []*vw.Plan{first, second} {
		p.Name, p.Revision, p.Etag, p.State, p.CreateTime = "", 0, "", 0, nil
	}
	if !proto.Equal(first, second) {
		t.Errorf("two plans from the same findings differ:\n%s", cmp.Diff(first, second, protocmp.Transform()))
	}
}

func TestTwoTeethOfOnePatientShareOneStartOfVisit(t *testing.T) {
	b := newBench(t)
	patient := b.patient("A-1")
	molar := b.molar(patient)
	b.assessed(molar)
	first := b.planned(molar)
	premolar, err := b.CreateCase(b.clinician(), &vw.CreateCaseRequest{Parent: ours, Case: &vw.Case{Patient: patient.GetName(), Tooth: &vw.Tooth{Iso: "35"},
		Diagnosis: &vw.Diagnosis{Pulpal: "symptomatic-irreversible-pulpitis"}}})
	b.must(err)
	b.assessed(premolar)
	second := b.planned(premolar)

	both, err := b.GetVisitSheet(b.clinician(), &vw.GetVisitSheetRequest{Parts: []*vw.VisitPart{{Plan: first.GetName(), Visit: 1}, {Plan: second.GetName(), Visit: 1}}})
	b.must(err)
	if len(both.GetTeeth()) != 2 || len(both.GetAnaesthetic().GetAgents()) == 0 {
		t.Fatalf("the sheet has %d teeth", len(both.GetTeeth()))
	}
	one, err := b.GetVisitSheet(b.clinician(), &vw.GetVisitSheetRequest{Parts: []*vw.VisitPart{{Plan: first.GetName(), Visit: 1}}})
	b.must(err)
	two, err := b.GetVisitSheet(b.clinician(), &vw.GetVisitSheetRequest{Parts: []*vw.VisitPart{{Plan: second.GetName(), Visit: 1}}})
	b.must(err)
	apart := one.GetChairMinutes().GetMean() + two.GetChairMinutes().GetMean()
	if got := both.GetChairMinutes().GetMean(); got >= apart || got <= one.GetChairMinutes().GetMean() {
		t.Errorf("together %v minutes, apart %v: the start of the visit is not shared", got, apart)
	}
	if !strings.Contains(both.GetIdentity().GetTeeth(), "35") || !strings.Contains(both.GetIdentity().GetTeeth(), "46") {
		t.Errorf("the identity check names %q", both.GetIdentity().GetTeeth())
	}
	// 46 and 35 are two lower blocks on both sides.
	against := false
	for _, r := range both.GetReasons() {
		against = against || r.GetRule() == "lower-blocks" && r.GetStance() == vw.Reason_STANCE_ADVISES_AGAINST
	}
	if !against {
		t.Errorf("two lower blocks on both sides are not advised against: %v", both.GetReasons())
	}

	shared, err := b.GetSharedVisits(b.clinician(), &vw.GetSharedVisitsRequest{Plans: []string{first.GetName(), second.GetName()}})
	b.must(err)
	visit := shared.GetVisits()[0]
	if len(visit.GetParts()) != 2 || visit.GetWindow() != nil || len(shared.GetReasons()) == 0 || len(shared.GetAnaesthetic().GetAgents()) == 0 {
		t.Errorf("together: %v, %d reasons", visit.GetParts(), len(shared.GetReasons()))
	}
	if mean := visit.GetChairMinutes().GetMean(); mean >= apart || visit.GetAppointmentMinutes() > one.GetAppointmentMinutes()+two.GetAppointmentMinutes() {
		t.Errorf("one visit for both takes %v minutes and %d are booked; apart they take %v", mean, visit.GetAppointmentMinutes(), apart)
	}
	_, err = b.GetSharedVisits(b.clinician(), &vw.GetSharedVisitsRequest{Plans: []string{first.GetName(), first.GetName()}})
	b.names(b.refused(err, codes.InvalidArgument, "INVALID_FIELD"), "plans[1]", "once")
}

func TestTreatmentBegunElsewhereStartsItsClockAtIntake(t *testing.T) {
	b := newBench(t)
	c, err := b.CreateCase(b.clinician(), &vw.CreateCaseRequest{Parent: ours, Case: &vw.Case{
		Patient: b.patient("A-1").GetName(), Tooth: &vw.Tooth{Iso: "46"}, Diagnosis: &vw.Diagnosis{Pulpal: "necrosis", Apical: "asymptomatic-apical-periodontitis"},
		TreatmentBegun: &vw.TreatmentBegun{VisitDate: day(2026, 2, 24), Dressing: "unknown", Temporary: "unknown", Stop: "unknown"}}})
	b.must(err)
	b.assessed(c)
	plan := b.planned(c)
	if plan.GetIntake() == nil {
		t.Fatal("the plan has no window for a tooth that was dressed elsewhere a week ago")
	}
	before := plan.GetIntake().GetLatest().GetDays()
	// A day later a day less is left.
	b.clock.advance(24 * time.Hour)
	later := b.planned(c)
	if got := later.GetIntake().GetLatest().GetDays(); got != before-1 && !later.GetIntake().GetOverdue() {
		t.Errorf("a day later %d days are left, before %d", got, before)
	}
}
