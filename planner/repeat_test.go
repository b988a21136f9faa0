package planner_test

import (
	"context"
	"testing"

	"github.com/google/go-cmp/cmp"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// A second call with the same request id gets the first answer and changes
// nothing, whatever the method.
func TestARepeatedWriteGetsTheFirstAnswer(t *testing.T) {
	for name, empty := range databases {
		t.Run(name, func(t *testing.T) { repeatEverything(t, newBenchOn(t, empty(t))) })
	}
}

func repeatEverything(t *testing.T, b *bench) {
	t.Helper()
	patient := b.patient("A-1")
	c := b.molar(patient)
	b.assessed(c)
	plan := b.planned(c)
	manager, clinician := b.as(store.RoleManager), b.clinician()
	settings, err := b.GetPracticeSettings(manager, &vw.GetPracticeSettingsRequest{Name: ours + "/settings"})
	b.must(err)
	doctor, err := b.CreateClinician(manager, &vw.CreateClinicianRequest{Parent: ours, Clinician: &vw.Clinician{Title: "Dr A"}})
	b.must(err)
	c, err = b.GetCase(clinician, &vw.GetCaseRequest{Name: c.GetName()})
	b.must(err)

	for _, try := range []struct {
		name string
		call func(request string) (proto.Message, error)
	}{
		{"CreatePatient", func(r string) (proto.Message, error) {
			return b.CreatePatient(clinician, &vw.CreatePatientRequest{Parent: ours, Patient: &vw.Patient{Reference: "A-2"}, RequestId: r})
		}},
		{"UpdatePatient", func(r string) (proto.Message, error) {
			p := proto.CloneOf(patient)
			p.Phone = proto.String("+43 660 555 0199")
			return b.UpdatePatient(clinician, &vw.UpdatePatientRequest{Patient: p, RequestId: r})
		}},
		{"CreateCase", func(r string) (proto.Message, error) {
			return b.CreateCase(clinician, &vw.CreateCaseRequest{Parent: ours, Case: &vw.Case{Patient: patient.GetName()}, RequestId: r})
		}},
		{"AcceptOption", func(r string) (proto.Message, error) {
			return b.AcceptOption(clinician, &vw.AcceptOptionRequest{Name: plan.GetName(), Option: plan.GetRecommendedOption(), Etag: plan.GetEtag(), RequestId: r})
		}},
		{"UpdateCase", func(r string) (proto.Message, error) {
			next := proto.CloneOf(c)
			fresh, err := b.GetCase(clinician, &vw.GetCaseRequest{Name: c.GetName()})
			if err != nil {
				return nil, err
			}
			if r != lastRequest { // the first try carries the etag that was read
				c.Etag, next.Etag, lastRequest = fresh.GetEtag(), fresh.GetEtag(), r
			}
			return b.UpdateCase(clinician, &vw.UpdateCaseRequest{Case: next, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"clinician"}}, RequestId: r})
		}},
		{"Assess", func(r string) (proto.Message, error) {
			return b.Assess(clinician, &vw.AssessRequest{Parent: c.GetName(), Findings: findings(), RequestId: r})
		}},
		{"ProposePlan", func(r string) (proto.Message, error) {
			return b.ProposePlan(clinician, &vw.ProposePlanRequest{Parent: c.GetName(), RequestId: r})
		}},
		{"CreateClinician", func(r string) (proto.Message, error) {
			return b.CreateClinician(manager, &vw.CreateClinicianRequest{Parent: ours, Clinician: &vw.Clinician{Title: "Dr B"}, RequestId: r})
		}},
		{"UpdateClinician", func(r string) (proto.Message, error) {
			d := proto.CloneOf(doctor)
			d.Title = "Dr A the elder"
			return b.UpdateClinician(manager, &vw.UpdateClinicianRequest{Clinician: d, RequestId: r})
		}},
		{"UpdatePracticeSettings", func(r string) (proto.Message, error) {
			s := proto.CloneOf(settings)
			s.Title = "Willow Lane"
			return b.UpdatePracticeSettings(manager, &vw.UpdatePracticeSettingsRequest{Settings: s, RequestId: r})
		}},
		{"StopCase", func(r string) (proto.Message, error) {
			return b.StopCase(clinician, &vw.StopCaseRequest{Name: c.GetName(), ClosingReason: "transferred", RequestId: r})
		}},
	} {
		t.Run(try.name, func(t *testing.T) {
			request := id()
			first, err := try.call(request)
			if err != nil {
				t.Fatal(err)
			}
			second, err := try.call(request)
			if err != nil {
				t.Fatalf("the second try: %v", err)
			}
			if diff := cmp.Diff(first, second, protocmp.Transform()); diff != "" {
				t.Errorf("the second answer differs:\n%s", diff)
			}
		})
	}
	listed, err := b.ListPlanRevisions(clinician, &vw.ListPlanRevisionsRequest{Parent: c.GetName()})
	b.must(err)
	if len(listed.GetPlans()) != 2 {
		t.Errorf("%d revisions were kept, want 2: the repeated one kept none", len(listed.GetPlans()))
	}
}

var lastRequest string

func TestARequestIDForAnotherRequestIsRefused(t *testing.T) {
	b := newBench(t)
	request := id()
	_, err := b.CreatePatient(b.clinician(), &vw.CreatePatientRequest{Parent: ours, Patient: &vw.Patient{Reference: "A-1"}, RequestId: request})
	b.must(err)
	_, err = b.CreatePatient(b.clinician(), &vw.CreatePatientRequest{Parent: ours, Patient: &vw.Patient{Reference: "A-2"}, RequestId: request})
	b.names(b.refused(err, codes.InvalidArgument, "REQUEST_ID_REUSED"), "request_id", "new id")
	_, err = b.CreatePatient(b.clinician(), &vw.CreatePatientRequest{Parent: ours, Patient: &vw.Patient{Reference: "A-3"}, RequestId: "once"})
	b.names(b.refused(err, codes.InvalidArgument, "INVALID_FIELD"), "request_id", "UUID")
}

// unheard lets a write succeed and its caller see that the database is away.
type unheard struct {
	store.Planning
	lost int
}

func (u *unheard) SavePlanRevision(ctx context.Context, call store.Call, r store.NewPlanRevision) (store.PlanRevision, error) {
	kept, err := u.Planning.SavePlanRevision(ctx, call, r)
	if err == nil && u.lost == 0 {
		u.lost++
		return store.PlanRevision{}, &store.Problem{Kind: store.ErrUnavailable}
	}
	return kept, err
}

func TestAPlanThatWasKeptAndNotHeardOfIsFoundByItsRequestID(t *testing.T) {
	fault := &unheard{}
	b := newBench(t, func(s store.Planning) store.Planning {
		fault.Planning = s
		return fault
	})
	c := b.molar(b.patient("A-1"))
	b.assessed(c)
	request := &vw.ProposePlanRequest{Parent: c.GetName(), RequestId: id()}
	_, err := b.ProposePlan(b.clinician(), request)
	b.refused(err, codes.Unavailable, "STORE_UNAVAILABLE")
	plan, err := b.ProposePlan(b.clinician(), request)
	b.must(err)
	listed, err := b.ListPlanRevisions(b.clinician(), &vw.ListPlanRevisionsRequest{Parent: c.GetName()})
	b.must(err)
	if plan.GetRevision() != 1 || len(listed.GetPlans()) != 1 {
		t.Errorf("revision %d, %d kept", plan.GetRevision(), len(listed.GetPlans()))
	}
}

func TestAPreviewKeepsNothing(t *testing.T) {
	b := newBench(t)
	patient := b.patient("A-1")
	c := b.molar(patient)
	b.assessed(c)
	plan := b.planned(c)
	c, err := b.GetCase(b.clinician(), &vw.GetCaseRequest{Name: c.GetName()})
	b.must(err)
	settings, err := b.GetPracticeSettings(b.as(store.RoleManager), &vw.GetPracticeSettingsRequest{Name: ours + "/settings"})
	b.must(err)
	before := b.trail()

	created, err := b.CreatePatient(b.clinician(), &vw.CreatePatientRequest{Parent: ours, Patient: &vw.Patient{Reference: "A-2", Label: proto.String("x")}, ValidateOnly: true})
	b.must(err)
	if created.GetName() != "" || created.GetLabel() != "x" {
		t.Errorf("a preview made %v", created)
	}
	changed := proto.CloneOf(patient)
	changed.Label = proto.String("Lee, C.")
	shown, err := b.UpdatePatient(b.clinician(), &vw.UpdatePatientRequest{Patient: changed, ValidateOnly: true})
	b.must(err)
	if shown.GetLabel() != "Lee, C." || shown.GetPhone() != patient.GetPhone() {
		t.Errorf("the preview shows %v", shown)
	}
	_, err = b.CreateCase(b.clinician(), &vw.CreateCaseRequest{Parent: ours, Case: &vw.Case{Patient: patient.GetName()}, ValidateOnly: true})
	b.must(err)
	_, err = b.UpdateCase(b.clinician(), &vw.UpdateCaseRequest{Case: c, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"tooth"}}, ValidateOnly: true})
	b.must(err)
	_, err = b.Assess(b.clinician(), &vw.AssessRequest{Parent: c.GetName(), Findings: findings(), ValidateOnly: true})
	b.must(err)
	_, err = b.ProposePlan(b.clinician(), &vw.ProposePlanRequest{Parent: c.GetName(), ValidateOnly: true, Findings: findings()})
	b.must(err)
	accepted, err := b.AcceptOption(b.clinician(), &vw.AcceptOptionRequest{Name: plan.GetName(), Option: plan.GetRecommendedOption(), ValidateOnly: true})
	b.must(err)
	if accepted.GetState() != vw.Plan_STATE_ACCEPTED {
		t.Errorf("the preview of an acceptance is %v", accepted.GetState())
	}
	_, err = b.StopCase(b.clinician(), &vw.StopCaseRequest{Name: c.GetName(), ClosingReason: "extracted", ValidateOnly: true})
	b.must(err)
	settings.Title = "Another"
	_, err = b.UpdatePracticeSettings(b.as(store.RoleManager), &vw.UpdatePracticeSettingsRequest{Settings: settings, ValidateOnly: true})
	b.must(err)
	_, err = b.CreateClinician(b.as(store.RoleManager), &vw.CreateClinicianRequest{Parent: ours, Clinician: &vw.Clinician{Title: "Dr"}, ValidateOnly: true})
	b.must(err)

	for _, e := range b.trail()[:len(b.trail())-len(before)] {
		if len(e.GetFields()) > 0 {
			t.Errorf("a preview left a change in the audit trail: %v", e)
		}
	}
	after, err := b.GetCase(b.clinician(), &vw.GetCaseRequest{Name: c.GetName()})
	b.must(err)
	if !proto.Equal(after, c) {
		t.Errorf("a preview changed the case: %v", after)
	}
}

// trail is the audit trail, newest first.
func (b *bench) trail() []*vw.AuditEntry {
	b.Helper()
	listed, err := b.ListAuditEntries(b.as(store.RoleManager), &vw.ListAuditEntriesRequest{Parent: ours, PageSize: 1000})
	b.must(err)
	return listed.GetEntries()
}

func TestReadsAndWritesAreInTheAuditTrailWithoutValues(t *testing.T) {
	b := newBench(t)
	patient := b.patient("A-1")
	_, err := b.GetPatient(b.as(store.RoleReception), &vw.GetPatientRequest{Name: patient.GetName()})
	b.must(err)
	entries := b.trail()
	if len(entries) < 2 || entries[0].GetResource() != patient.GetName()[len(ours)+1:] || entries[0].GetActor().GetRole() != vw.Role_ROLE_RECEPTION {
		t.Fatalf("the trail begins with %v", entries[0])
	}
	for _, e := range entries {
		if text := e.String(); contains(text, "Lee", "660", "A-1") {
			t.Errorf("a value stands in the trail: %s", text)
		}
	}
	about, err := b.ListAuditEntries(b.as(store.RoleManager), &vw.ListAuditEntriesRequest{Parent: ours, Resource: patient.GetName()})
	b.must(err)
	if len(about.GetEntries()) != 2 {
		t.Errorf("%d lines are about the patient, want the making and the reading", len(about.GetEntries()))
	}
	verified, err := b.VerifyAuditTrail(b.as(store.RoleManager), &vw.VerifyAuditTrailRequest{Parent: ours})
	b.must(err)
	if !verified.GetWhole() {
		t.Errorf("the trail is broken at %v", verified.GetFirstBroken())
	}
}

func TestADatabaseThatIsAwayIsSaidToBeAway(t *testing.T) {
	b := newBench(t, func(s store.Planning) store.Planning { return away{s} })
	_, err := b.GetCase(b.clinician(), &vw.GetCaseRequest{Name: ours + "/cases/c"})
	b.refused(err, codes.Unavailable, "STORE_UNAVAILABLE")
	_, err = b.GetPatient(b.clinician(), &vw.GetPatientRequest{Name: ours + "/patients/p"})
	if status.Code(err) != codes.Internal {
		t.Errorf("an unknown fault is %v", err)
	}
}

type away struct{ store.Planning }

func (away) GetCase(context.Context, store.Call, string) (store.Case, error) {
	return store.Case{}, &store.Problem{Kind: store.ErrUnavailable}
}

func (away) GetPatient(context.Context, store.Call, string) (store.Patient, error) {
	return store.Patient{}, store.ErrInternal
}
