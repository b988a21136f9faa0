package planner_test

import (
	"context"
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

func day(y, m, d int32) *date.Date { return &date.Date{Year: y, Month: m, Day: d} }

func TestAToothThatDoesNotExistIsRefusedAndNothingIsKept(t *testing.T) {
	b := newBench(t)
	patient := b.patient("A-1")
	for iso, reason := range map[string]string{
		"49": "UNKNOWN_TOOTH", "00": "UNKNOWN_TOOTH", "99": "UNKNOWN_TOOTH", "four": "UNKNOWN_TOOTH", "30x": "UNKNOWN_TOOTH",
		"75": "PRIMARY_TOOTH", "51": "PRIMARY_TOOTH",
	} {
		_, err := b.CreateCase(b.clinician(), &vw.CreateCaseRequest{Parent: ours, Case: &vw.Case{Patient: patient.GetName(), Tooth: &vw.Tooth{Iso: iso}}})
		b.names(b.refused(err, codes.InvalidArgument, reason), "case.tooth.iso", "11 to 48")
	}
	listed, err := b.ListCases(b.clinician(), &vw.ListCasesRequest{Parent: ours})
	b.must(err)
	if len(listed.GetCases()) != 0 {
		t.Errorf("%d cases were kept", len(listed.GetCases()))
	}
}

func TestImpossibleFindingsAreRefusedAndNothingIsKept(t *testing.T) {
	b := newBench(t)
	c := b.molar(b.patient("A-1"))
	for name, try := range map[string]struct {
		change func(*vw.Findings)
		reason string
		field  string
		want   string
	}{
		"ten canals expected":                  {func(f *vw.Findings) { f.ExpectedCanals = proto.Int32(10) }, "INVALID_FIELD", "findings.expected_canals", "6"},
		"six canals in a tooth that has fewer": {func(f *vw.Findings) { f.ExpectedCanals = proto.Int32(6) }, "IMPOSSIBLE_CANAL_COUNT", "findings.expected_canals", "1 to "},
		"more canals located than the tooth can have": {func(f *vw.Findings) {
			f.Evidence = []*vw.Evidence{{Sign: "canals-located", Count: proto.Int32(6)}}
		}, "IMPOSSIBLE_CANAL_COUNT", "findings.evidence", "1 to "},
		"a sign that is there and is not": {func(f *vw.Findings) {
			f.Evidence = []*vw.Evidence{{Sign: "canal-disappears-mid-root"}, {Sign: "canal-disappears-mid-root", Absent: true}}
		}, "CONTRADICTORY_EVIDENCE", "findings.evidence[1]", "not both"},
		"two straight films that differ": {func(f *vw.Findings) {
			f.Evidence = []*vw.Evidence{{Sign: "film-count", Count: proto.Int32(2)}, {Sign: "off-centre-orifice"}, {Sign: "film-count", Count: proto.Int32(4)}}
		}, "CONTRADICTORY_EVIDENCE", "findings.evidence[2]", "4 canals"},
		"two shifted films that differ, the first of them named": {func(f *vw.Findings) {
			f.Evidence = []*vw.Evidence{{Sign: "angled-film-count", Count: proto.Int32(4)}, {Sign: "angled-film-count", Count: proto.Int32(3)}}
		}, "CONTRADICTORY_EVIDENCE", "findings.evidence[0]", "4 canals"},
		"an unknown sign":   {func(f *vw.Findings) { f.Evidence = []*vw.Evidence{{Sign: "tea-leaves"}} }, "UNKNOWN_CATALOGUE_ID", "findings.evidence[0].sign", "evidence-signs"},
		"an unknown factor": {func(f *vw.Findings) { f.Factors = []string{"full-moon"} }, "UNKNOWN_CATALOGUE_ID", "findings.factors[0]", "factors"},
		"an unknown question": {func(f *vw.Findings) { f.Answers = []*vw.Answer{{Criterion: "star-sign", Answer: "leo"}} },
			"UNKNOWN_CATALOGUE_ID", "findings.answers[0].criterion", "difficulty-criteria"},
		"an unknown answer": {func(f *vw.Findings) { f.Answers = []*vw.Answer{{Criterion: "root-curvature", Answer: "wavy"}} },
			"UNKNOWN_CATALOGUE_ID", "findings.answers[0].answer", "10-to-30"},
		"two answers to one question": {func(f *vw.Findings) {
			f.Answers = []*vw.Answer{{Criterion: "root-curvature", Answer: "10-to-30"}, {Criterion: "root-curvature", Answer: "under-10"}}
		}, "CONTRADICTORY_EVIDENCE", "findings.answers[1]", "once"},
		"an answer that contradicts the tooth": {func(f *vw.Findings) {
			f.Answers = []*vw.Answer{{Criterion: "arch-position", Answer: "front-or-premolar"}}
		}, "CONTRADICTORY_EVIDENCE", "findings.answers", "first-molar"},
		"negative minutes to bear": {func(f *vw.Findings) { f.Tolerance = &vw.Tolerance{Minutes: -5} }, "INVALID_FIELD", "findings.tolerance.minutes", "0"},
		"an unknown edition":       {func(f *vw.Findings) { f.Edition = "1850" }, "UNKNOWN_CATALOGUE_ID", "findings.edition", "difficulty-editions"},
		"an unknown diagnosis": {func(f *vw.Findings) { f.Diagnosis = &vw.Diagnosis{Pulpal: "sulking"} },
			"UNKNOWN_CATALOGUE_ID", "findings.diagnosis.pulpal", "necrosis"},
	} {
		t.Run(name, func(t *testing.T) {
			b := &bench{T: t, PlannerServiceClient: b.PlannerServiceClient}
			f := findings()
			try.change(f)
			_, err := b.Assess(b.clinician(), &vw.AssessRequest{Parent: c.GetName(), Findings: f})
			b.names(b.refused(err, codes.InvalidArgument, try.reason), try.field, try.want)
			_, err = b.ProposePlan(b.clinician(), &vw.ProposePlanRequest{Parent: c.GetName(), Findings: f, ValidateOnly: true})
			b.refused(err, codes.InvalidArgument, try.reason)
		})
	}
	after, err := b.GetCase(b.clinician(), &vw.GetCaseRequest{Name: c.GetName()})
	b.must(err)
	if after.GetEtag() != c.GetEtag() || after.GetLatestAssessment() != "" {
		t.Error("a refused assessment changed the case")
	}
}

func TestAWeightThatNobodyHasIsRefusedWithoutRepeatingIt(t *testing.T) {
	b := newBench(t)
	for _, kg := range []float64{0, -3, 700, 1e300} {
		_, err := b.CreatePatient(b.clinician(), &vw.CreatePatientRequest{Parent: ours, Patient: &vw.Patient{Reference: "A-2", WeightKg: proto.Float64(kg)}})
		b.names(b.refused(err, codes.InvalidArgument, "INVALID_FIELD"), "patient.weight_kg", "350")
		if strings.Contains(status.Convert(err).Message(), "700") {
			t.Error("the weight comes back in the error")
		}
	}
}

func TestNegativeMinutesAndImpossibleSettingsAreRefused(t *testing.T) {
	b := newBench(t)
	read := func() *vw.PracticeSettings {
		s, err := b.GetPracticeSettings(b.as(store.RoleManager), &vw.GetPracticeSettingsRequest{Name: ours + "/settings"})
		b.must(err)
		return s
	}
	before := read()
	for name, try := range map[string]struct {
		change func(*vw.PracticeSettings)
		reason string
		field  string
	}{
		"negative minutes of a step": {func(s *vw.PracticeSettings) {
			s.Overrides = []*vw.FigureOverride{{Figure: "steps.shape.median", Value: -5, Source: "our own"}}
		}, "INVALID_OVERRIDE", "settings.overrides"},
		"a figure that does not exist": {func(s *vw.PracticeSettings) {
			s.Overrides = []*vw.FigureOverride{{Figure: "steps.polish.median", Value: 5, Source: "our own"}}
		}, "INVALID_OVERRIDE", "settings.overrides"},
		"a step that cannot be left out": {func(s *vw.PracticeSettings) { s.StepsOff = []string{"identify"} }, "INVALID_OVERRIDE", "settings.steps_off"},
		"a grid upside down":             {func(s *vw.PracticeSettings) { s.Grid = &vw.LengthGrid{Least: 90, Most: 30, Step: 15} }, "IMPOSSIBLE_FIGURE", "settings.grid"},
		"a negative cost":                {func(s *vw.PracticeSettings) { s.Cost = &vw.Cost{Work: 1, Overrun: -1, Idle: 1} }, "IMPOSSIBLE_FIGURE", "settings.cost.overrun"},
		"a zone of another world":        {func(s *vw.PracticeSettings) { s.Zone = "Middle-earth/Shire" }, "UNKNOWN_ZONE", "settings.zone"},
		"an unknown dressing":            {func(s *vw.PracticeSettings) { s.Dressing = "honey" }, "UNKNOWN_CATALOGUE_ID", "settings.dressing"},
		"an instruction for what never happens": {func(s *vw.PracticeSettings) {
			s.ChairInstructions = []*vw.ChairInstruction{{Event: "meteor", Text: "Duck."}}
		}, "UNKNOWN_CATALOGUE_ID", "settings.chair_instructions[0].event"},
		"an unknown profile": {func(s *vw.PracticeSettings) { s.AnaestheticProfile = "atlantis" }, "UNKNOWN_CATALOGUE_ID", "settings.anaesthetic_profile"},
		"an anaesthetic that is none": {func(s *vw.PracticeSettings) {
			s.Anaesthetics = []*vw.AnaestheticSolution{{Agent: "brandy", Percent: 4, Vasoconstrictor: "none"}}
		}, "UNKNOWN_CATALOGUE_ID", "settings.anaesthetics[0].agent"},
		"an anaesthetic of no known strength": {func(s *vw.PracticeSettings) {
			s.Anaesthetics = []*vw.AnaestheticSolution{{Agent: "lidocaine", Percent: 9, Vasoconstrictor: "none"}}
		}, "IMPOSSIBLE_FIGURE", "settings.anaesthetics[0]"},
	} {
		t.Run(name, func(t *testing.T) {
			b := &bench{T: t, PlannerServiceClient: b.PlannerServiceClient}
			s := proto.CloneOf(before)
			try.change(s)
			_, err := b.UpdatePracticeSettings(b.as(store.RoleManager), &vw.UpdatePracticeSettingsRequest{Settings: s})
			fields := b.refused(err, codes.InvalidArgument, try.reason)
			found := false
			for path, want := range fields {
				found = found || strings.HasPrefix(path, try.field) && want != ""
			}
			if !found {
				t.Errorf("said %v, want the field %s", fields, try.field)
			}
		})
	}
	if after := read(); !proto.Equal(before, after) {
		t.Errorf("refused settings changed something: %v", after)
	}
}

func TestAStaleEtagAbortsAndChangesNothing(t *testing.T) {
	b := newBench(t)
	patient := b.patient("A-1")
	c := b.molar(patient)
	b.assessed(c) // the case has changed since it was read
	_, err := b.UpdateCase(b.clinician(), &vw.UpdateCaseRequest{Case: c, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"tooth"}}, RequestId: id()})
	b.refused(err, codes.Aborted, "ETAG_MISMATCH")
	_, err = b.UpdateCase(b.clinician(), &vw.UpdateCaseRequest{Case: c, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"tooth"}}, ValidateOnly: true})
	b.refused(err, codes.Aborted, "ETAG_MISMATCH")
	_, err = b.StopCase(b.clinician(), &vw.StopCaseRequest{Name: c.GetName(), ClosingReason: "extracted", Etag: c.GetEtag()})
	b.refused(err, codes.Aborted, "ETAG_MISMATCH")

	changed := proto.CloneOf(patient)
	changed.Label = proto.String("Lee, B.")
	_, err = b.UpdatePatient(b.clinician(), &vw.UpdatePatientRequest{Patient: changed})
	b.must(err)
	_, err = b.UpdatePatient(b.clinician(), &vw.UpdatePatientRequest{Patient: changed})
	b.refused(err, codes.Aborted, "ETAG_MISMATCH")
	changed.Etag = ""
	_, err = b.UpdatePatient(b.clinician(), &vw.UpdatePatientRequest{Patient: changed})
	b.names(b.refused(err, codes.InvalidArgument, "INVALID_FIELD"), "patient.etag", "etag")

	plan := b.planned(c)
	option := plan.GetRecommendedOption()
	_, err = b.AcceptOption(b.clinician(), &vw.AcceptOptionRequest{Name: plan.GetName(), Option: option, Etag: plan.GetEtag()})
	b.must(err)
	for _, request := range []string{"", id()} { // with and without a request id
		_, err = b.AcceptOption(b.clinician(), &vw.AcceptOptionRequest{Name: plan.GetName(), Option: option, Etag: plan.GetEtag(), RequestId: request})
		b.refused(err, codes.Aborted, "ETAG_MISMATCH")
	}
}

// Another practice's names answer as if they did not exist: with the same code
// and reason as names that nobody has.
func TestAnotherPracticesCaseDoesNotExist(t *testing.T) {
	b := newBench(t)
	c := b.molar(b.patient("A-1"))
	b.assessed(c)
	plan := b.planned(c)
	foreign := b.of(theirs, store.RoleClinician)
	nowhere := theirs + "/cases/nobodys"
	for reason, call := range map[string]func(context.Context, string) error{
		"CASE_NOT_FOUND": func(ctx context.Context, name string) error {
			_, err := b.GetCase(ctx, &vw.GetCaseRequest{Name: name})
			return err
		},
		"PLAN_NOT_FOUND": func(ctx context.Context, name string) error {
			_, err := b.GetPlan(ctx, &vw.GetPlanRequest{Name: name + "/plans/1"})
			return err
		},
		"ASSESSMENT_NOT_FOUND": func(ctx context.Context, name string) error {
			_, err := b.GetAssessment(ctx, &vw.GetAssessmentRequest{Name: name + "/assessments/1"})
			return err
		},
	} {
		b.refused(call(foreign, c.GetName()), codes.NotFound, reason)
		b.refused(call(foreign, nowhere), codes.NotFound, reason)
	}
	_, err := b.StopCase(foreign, &vw.StopCaseRequest{Name: c.GetName(), ClosingReason: "lost"})
	b.refused(err, codes.NotFound, "CASE_NOT_FOUND")
	_, err = b.ProposePlan(foreign, &vw.ProposePlanRequest{Parent: c.GetName()})
	b.refused(err, codes.NotFound, "CASE_NOT_FOUND")
	_, err = b.AcceptOption(foreign, &vw.AcceptOptionRequest{Name: plan.GetName(), Option: plan.GetRecommendedOption()})
	b.refused(err, codes.NotFound, "PLAN_NOT_FOUND")
	_, err = b.GetVisitSheet(foreign, &vw.GetVisitSheetRequest{Parts: []*vw.VisitPart{{Plan: plan.GetName(), Visit: 1}}})
	b.refused(err, codes.NotFound, "PLAN_NOT_FOUND")
	_, err = b.CreateCase(foreign, &vw.CreateCaseRequest{Parent: theirs, Case: &vw.Case{Patient: c.GetPatient()}})
	b.refused(err, codes.NotFound, "PATIENT_NOT_FOUND")
	_, err = b.GetPracticeSettings(foreign, &vw.GetPracticeSettingsRequest{Name: ours + "/settings"})
	b.refused(err, codes.NotFound, "PRACTICE_NOT_FOUND")
	_, err = b.ListCases(foreign, &vw.ListCasesRequest{Parent: ours})
	b.refused(err, codes.NotFound, "PRACTICE_NOT_FOUND")

	after, err := b.GetCase(b.clinician(), &vw.GetCaseRequest{Name: c.GetName()})
	b.must(err)
	if after.GetState() == vw.Case_STATE_CLOSED {
		t.Error("another practice closed the case")
	}
}

func TestWhatOnlyAClinicianDecidesIsRefusedToAllOthers(t *testing.T) {
	b := newBench(t)
	c := b.molar(b.patient("A-1"))
	b.assessed(c)
	plan := b.planned(c)
	for _, role := range []store.Role{store.RoleReception, store.RoleNurse, store.RoleManager, store.RoleIntegration} {
		_, err := b.AcceptOption(b.as(role), &vw.AcceptOptionRequest{Name: plan.GetName(), Option: plan.GetRecommendedOption()})
		b.refused(err, codes.PermissionDenied, "CLINICIAN_REQUIRED")
	}
	_, err := b.StopCase(b.as(store.RoleReception), &vw.StopCaseRequest{Name: c.GetName(), ClosingReason: "extracted"})
	b.refused(err, codes.PermissionDenied, "CLINICIAN_REQUIRED")
	_, err = b.ProposePlan(b.as(store.RoleReception), &vw.ProposePlanRequest{Parent: c.GetName()})
	b.refused(err, codes.PermissionDenied, "CLINICIAN_REQUIRED")
	preview, err := b.ProposePlan(b.as(store.RoleReception), &vw.ProposePlanRequest{Parent: c.GetName(), ValidateOnly: true})
	b.must(err)
	if preview.GetState() != vw.Plan_STATE_PREVIEW || preview.GetName() != "" {
		t.Errorf("a preview was %v %q", preview.GetState(), preview.GetName())
	}
	_, err = b.CreatePatient(b.as(store.RoleReception), &vw.CreatePatientRequest{Parent: ours, Patient: &vw.Patient{Reference: "A-9"}, OnBehalfOf: "dr-a"})
	b.refused(err, codes.PermissionDenied, "ON_BEHALF_OF_NOT_ALLOWED")
	// Reception may close what is no clinical decision.
	_, err = b.StopCase(b.as(store.RoleReception), &vw.StopCaseRequest{Name: c.GetName(), ClosingReason: "declined"})
	b.must(err)
}

func TestAClosedCaseWithoutAnAssessmentIsSaidToBeClosed(t *testing.T) {
	b := newBench(t)
	c := b.molar(b.patient("A-1"))
	_, err := b.StopCase(b.clinician(), &vw.StopCaseRequest{Name: c.GetName(), ClosingReason: "died"})
	b.must(err)
	_, err = b.ProposePlan(b.clinician(), &vw.ProposePlanRequest{Parent: c.GetName()})
	b.refused(err, codes.FailedPrecondition, "CASE_CLOSED")
}

func TestAClosedCaseTakesNothingMore(t *testing.T) {
	b := newBench(t)
	c := b.molar(b.patient("A-1"))
	b.assessed(c)
	plan := b.planned(c)
	stopped, err := b.StopCase(b.clinician(), &vw.StopCaseRequest{Name: c.GetName(), ClosingReason: "died"})
	b.must(err)
	_, err = b.UpdateCase(b.clinician(), &vw.UpdateCaseRequest{Case: stopped.GetCase(), UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"tooth"}}})
	b.refused(err, codes.FailedPrecondition, "CASE_CLOSED")
	_, err = b.Assess(b.clinician(), &vw.AssessRequest{Parent: c.GetName(), Findings: findings()})
	b.refused(err, codes.FailedPrecondition, "CASE_CLOSED")
	_, err = b.ProposePlan(b.clinician(), &vw.ProposePlanRequest{Parent: c.GetName()})
	b.refused(err, codes.FailedPrecondition, "CASE_CLOSED")
	_, err = b.ProposePlan(b.clinician(), &vw.ProposePlanRequest{Parent: c.GetName(), ValidateOnly: true})
	b.refused(err, codes.FailedPrecondition, "CASE_CLOSED")
	_, err = b.AcceptOption(b.clinician(), &vw.AcceptOptionRequest{Name: plan.GetName(), Option: plan.GetRecommendedOption()})
	b.refused(err, codes.FailedPrecondition, "CASE_CLOSED")
	_, err = b.StopCase(b.clinician(), &vw.StopCaseRequest{Name: c.GetName(), ClosingReason: "lost"})
	b.refused(err, codes.FailedPrecondition, "CASE_CLOSED")
}

func TestAPlanNeedsAToothAndAnAssessment(t *testing.T) {
	b := newBench(t)
	patient := b.patient("A-1")
	c, err := b.CreateCase(b.clinician(), &vw.CreateCaseRequest{Parent: ours, Case: &vw.Case{Patient: patient.GetName()}})
	b.must(err)
	_, err = b.Assess(b.clinician(), &vw.AssessRequest{Parent: c.GetName(), Findings: findings()})
	b.refused(err, codes.FailedPrecondition, "TOOTH_NOT_IDENTIFIED")
	relief, err := b.CreateCase(b.clinician(), &vw.CreateCaseRequest{Parent: ours, Case: &vw.Case{Patient: patient.GetName(), Protocol: "emergency-relief"}})
	b.must(err)
	_, err = b.Assess(b.clinician(), &vw.AssessRequest{Parent: relief.GetName(), Findings: findings()})
	b.names(b.refused(err, codes.InvalidArgument, "INVALID_FIELD"), "findings.evidence", "tooth")
	molar := b.molar(patient)
	_, err = b.ProposePlan(b.clinician(), &vw.ProposePlanRequest{Parent: molar.GetName()})
	b.refused(err, codes.FailedPrecondition, "ASSESSMENT_MISSING")
	_, err = b.ProposePlan(b.clinician(), &vw.ProposePlanRequest{Parent: molar.GetName(), Findings: findings()})
	b.names(b.refused(err, codes.InvalidArgument, "INVALID_FIELD"), "findings", "validate_only")
}

func TestAConsultationAndReliefArePlannedBeforeToothAndDiagnosisAreKnown(t *testing.T) {
	b := newBench(t)
	patient := b.patient("A-1")
	for _, protocol := range []string{"consultation", "emergency-relief"} {
		c, err := b.CreateCase(b.clinician(), &vw.CreateCaseRequest{Parent: ours, Case: &vw.Case{Patient: patient.GetName(), Protocol: protocol}})
		b.must(err)
		a, err := b.Assess(b.clinician(), &vw.AssessRequest{Parent: c.GetName(), Findings: &vw.Findings{}})
		b.must(err)
		if a.GetCanals() != nil || a.GetTooth() != nil {
			t.Errorf("%s: canals are forecast for a tooth that nobody knows: %v", protocol, a)
		}
		plan, err := b.ProposePlan(b.clinician(), &vw.ProposePlanRequest{Parent: c.GetName()})
		b.must(err)
		if plan.GetRecommendedOption() == "" || plan.GetTooth() != nil {
			t.Fatalf("%s: got %v", protocol, plan)
		}
		sheet, err := b.GetVisitSheet(b.clinician(), &vw.GetVisitSheetRequest{Parts: []*vw.VisitPart{{Plan: plan.GetName(), Option: plan.GetRecommendedOption(), Visit: 1}}})
		b.must(err)
		if len(sheet.GetTeeth()) != 1 || len(sheet.GetTeeth()[0].GetCanals()) != 0 || len(sheet.GetTeeth()[0].GetSteps()) == 0 {
			t.Errorf("%s: the sheet shows %v", protocol, sheet.GetTeeth())
		}
		// The tooth, once known, is assessed anew: the guard against the wrong one.
		got, err := b.GetCase(b.clinician(), &vw.GetCaseRequest{Name: c.GetName()})
		b.must(err)
		_, err = b.UpdateCase(b.clinician(), &vw.UpdateCaseRequest{
			Case:       &vw.Case{Name: c.GetName(), Patient: c.GetPatient(), Etag: got.GetEtag(), Tooth: &vw.Tooth{Iso: "46"}, Protocol: "primary-treatment"},
			UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"tooth", "protocol"}}})
		b.must(err)
		_, err = b.ProposePlan(b.clinician(), &vw.ProposePlanRequest{Parent: c.GetName()})
		b.refused(err, codes.FailedPrecondition, "REASSESSMENT_NEEDED")
	}
}

func TestAnOptionMustBeOneOfThePlansAndOfTheNewest(t *testing.T) {
	b := newBench(t)
	c := b.molar(b.patient("A-1"))
	b.assessed(c)
	first := b.planned(c)
	_, err := b.AcceptOption(b.clinician(), &vw.AcceptOptionRequest{Name: first.GetName(), Option: "nine-visits"})
	b.refused(err, codes.NotFound, "OPTION_NOT_FOUND")
	_, err = b.AcceptOption(b.clinician(), &vw.AcceptOptionRequest{Name: first.GetName(), Option: first.GetRecommendedOption(),
		Consent: &vw.Consent{Giver: vw.Consent_GIVER_PATIENT, Form: "written", AgreeTime: timestamppb.New(tuesday.Add(48 * time.Hour))}})
	b.names(b.refused(err, codes.InvalidArgument, "INVALID_FIELD"), "consent.agree_time", "not in the future")
	b.planned(c)
	_, err = b.AcceptOption(b.clinician(), &vw.AcceptOptionRequest{Name: first.GetName(), Option: first.GetRecommendedOption()})
	b.refused(err, codes.FailedPrecondition, "PLAN_SUPERSEDED")
	_, err = b.AcceptOption(b.clinician(), &vw.AcceptOptionRequest{Name: first.GetName(), Option: first.GetRecommendedOption(), ValidateOnly: true})
	b.refused(err, codes.FailedPrecondition, "PLAN_SUPERSEDED")

	_, err = b.GetVisitSheet(b.clinician(), &vw.GetVisitSheetRequest{Parts: []*vw.VisitPart{{Plan: first.GetName(), Visit: 8}}})
	b.refused(err, codes.NotFound, "VISIT_NOT_FOUND")
	other := b.molar(b.patient("A-2"))
	b.assessed(other)
	second := b.planned(other)
	_, err = b.GetVisitSheet(b.clinician(), &vw.GetVisitSheetRequest{Parts: []*vw.VisitPart{{Plan: first.GetName(), Visit: 1}, {Plan: second.GetName(), Visit: 1}}})
	b.refused(err, codes.FailedPrecondition, "DIFFERENT_PATIENTS")
	_, err = b.ComparePlans(b.clinician(), &vw.ComparePlansRequest{FromPlan: first.GetName(), ToPlan: second.GetName()})
	b.names(b.refused(err, codes.InvalidArgument, "INVALID_NAME"), "to_plan", "same case")
}

func TestAReferenceBelongsToOnePatient(t *testing.T) {
	b := newBench(t)
	b.patient("A-1")
	for _, preview := range []bool{false, true} {
		_, err := b.CreatePatient(b.clinician(), &vw.CreatePatientRequest{Parent: ours, Patient: &vw.Patient{Reference: "A-1"}, ValidateOnly: preview})
		b.names(b.refused(err, codes.AlreadyExists, "PATIENT_REFERENCE_TAKEN"), "patient.reference", "no other patient")
	}
}

func TestAFieldThatMayNotBeSetIsRefused(t *testing.T) {
	b := newBench(t)
	c := b.molar(b.patient("A-1"))
	for _, path := range []string{"state", "etag", "patient", "nonsense", "tooth.iso"} {
		_, err := b.UpdateCase(b.clinician(), &vw.UpdateCaseRequest{Case: c, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{path}}})
		b.names(b.refused(err, codes.InvalidArgument, "INVALID_UPDATE_MASK"), "update_mask", "tooth")
	}
}

func TestAPlanOf50MegabytesIsNotTakenIn(t *testing.T) {
	b := newBench(t)
	c := b.molar(b.patient("A-1"))
	f := findings()
	f.Factors = []string{strings.Repeat("x", 50<<20)}
	_, err := b.Assess(b.clinician(), &vw.AssessRequest{Parent: c.GetName(), Findings: f})
	if status.Code(err) != codes.ResourceExhausted {
		t.Errorf("50 MB gave %v", err)
	}
}

func TestACallWhoseTimeIsOverIsToldSoAndKeepsNothing(t *testing.T) {
	b := newBench(t)
	c := b.molar(b.patient("A-1"))
	b.assessed(c)
	ctx, cancel := context.WithTimeout(b.clinician(), time.Microsecond)
	defer cancel()
	_, err := b.ProposePlan(ctx, &vw.ProposePlanRequest{Parent: c.GetName()})
	if status.Code(err) != codes.DeadlineExceeded {
		t.Errorf("a call without time gave %v", err)
	}
	listed, err := b.ListPlanRevisions(b.clinician(), &vw.ListPlanRevisionsRequest{Parent: c.GetName()})
	b.must(err)
	if len(listed.GetPlans()) != 0 {
		t.Error("a plan was kept for a caller who had gone")
	}
}

// The guard against the wrong tooth: what was found and planned for one tooth
// serves no other.
func TestAPlanOfOneToothServesNoOther(t *testing.T) {
	b := newBench(t)
	c := b.molar(b.patient("A-1"))
	b.assessed(c)
	plan := b.planned(c)
	c, err := b.GetCase(b.clinician(), &vw.GetCaseRequest{Name: c.GetName()})
	b.must(err)
	c.Tooth = &vw.Tooth{Iso: "47"} // it was the neighbour
	_, err = b.UpdateCase(b.clinician(), &vw.UpdateCaseRequest{Case: c, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"tooth"}}})
	b.must(err)
	_, err = b.AcceptOption(b.clinician(), &vw.AcceptOptionRequest{Name: plan.GetName(), Option: plan.GetRecommendedOption()})
	b.refused(err, codes.FailedPrecondition, "REASSESSMENT_NEEDED")
	_, err = b.GetVisitSheet(b.clinician(), &vw.GetVisitSheetRequest{Parts: []*vw.VisitPart{{Plan: plan.GetName(), Visit: 1}}})
	b.refused(err, codes.FailedPrecondition, "REASSESSMENT_NEEDED")
	_, err = b.ProposePlan(b.clinician(), &vw.ProposePlanRequest{Parent: c.GetName()})
	b.refused(err, codes.FailedPrecondition, "REASSESSMENT_NEEDED")
	_, err = b.chair.BeginVisit(b.clinician(), &vw.BeginVisitRequest{Parent: c.GetName(), IdentityConfirmed: true, AlertsConfirmed: true})
	b.refused(err, codes.FailedPrecondition, "REASSESSMENT_NEEDED")
	b.assessed(c)
	b.planned(c)
	_, err = b.chair.BeginVisit(b.clinician(), &vw.BeginVisitRequest{Parent: c.GetName(), IdentityConfirmed: true, AlertsConfirmed: true})
	b.must(err)
}

// crowded keeps something of somebody else's just before ours.
type crowded struct {
	store.Planning
	before func()
}

func (c *crowded) SavePlanRevision(ctx context.Context, call store.Call, r store.NewPlanRevision) (store.PlanRevision, error) {
	if before := c.before; before != nil {
		c.before = nil
		before()
	}
	return c.Planning.SavePlanRevision(ctx, call, r)
}

func TestTwoPlansAtTheSameMomentDoNotOverwriteEachOther(t *testing.T) {
	between := &crowded{}
	b := newBench(t, func(s store.Planning) store.Planning {
		between.Planning = s
		return between
	})
	c := b.molar(b.patient("A-1"))
	b.assessed(c)
	between.before = func() { b.planned(c) }
	request := &vw.ProposePlanRequest{Parent: c.GetName(), RequestId: id()}
	_, err := b.ProposePlan(b.clinician(), request)
	b.refused(err, codes.Aborted, "CONCURRENT_CHANGE")
	again, err := b.ProposePlan(b.clinician(), request)
	b.must(err)
	if again.GetRevision() != 2 {
		t.Errorf("the second try is revision %d", again.GetRevision())
	}
}

// An override keeps its reason: an option that a rule advises against is
// accepted with the clinician's reason alone, and the reason stays with it.
func TestAnOptionThatARuleAdvisesAgainstIsAcceptedWithAReasonOnly(t *testing.T) {
	b := newBench(t)
	c := b.molar(b.patient("P-1"))
	_, err := b.Assess(b.clinician(), &vw.AssessRequest{Parent: c.GetName(), Findings: &vw.Findings{
		Diagnosis: &vw.Diagnosis{Pulpal: "necrosis", Apical: "symptomatic-apical-periodontitis"}}})
	b.must(err)
	plan := b.planned(c)
	option := ""
	for _, o := range plan.GetOptions() {
		if o.GetStrength() == vw.Reason_STANCE_ADVISES_AGAINST {
			option = o.GetId()
		}
	}
	if option == "" {
		t.Fatal("no option is advised against")
	}
	for _, because := range []string{"", "  "} {
		_, err = b.AcceptOption(b.clinician(), &vw.AcceptOptionRequest{Name: plan.GetName(), Option: option, OverrideReason: because})
		b.names(b.refused(err, codes.InvalidArgument, "INVALID_FIELD"), "override_reason", "why")
	}
	accepted, err := b.AcceptOption(b.clinician(), &vw.AcceptOptionRequest{Name: plan.GetName(), Option: option, OverrideReason: "leaves the country tomorrow"})
	b.must(err)
	kept, err := b.GetPlan(b.as(store.RoleNurse), &vw.GetPlanRequest{Name: plan.GetName()})
	b.must(err)
	for _, p := range []*vw.Plan{accepted, kept} {
		if got := p.GetAccepted().GetOverrideReason(); got != "leaves the country tomorrow" {
			t.Errorf("the reason is %q", got)
		}
	}
}
