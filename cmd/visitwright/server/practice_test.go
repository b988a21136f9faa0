package server

import (
	"context"
	"strings"
	"sync/atomic"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// reached counts the calls that a handler saw.
type reached struct {
	vw.UnimplementedPlannerServiceServer
	calls atomic.Int32
}

func (r *reached) GetCase(context.Context, *vw.GetCaseRequest) (*vw.Case, error) {
	r.calls.Add(1)
	return &vw.Case{}, nil
}

func (r *reached) CreateCase(context.Context, *vw.CreateCaseRequest) (*vw.Case, error) {
	r.calls.Add(1)
	return &vw.Case{}, nil
}

func (r *reached) GetVisitSheet(context.Context, *vw.GetVisitSheetRequest) (*vw.VisitSheet, error) {
	r.calls.Add(1)
	return &vw.VisitSheet{}, nil
}

func (r *reached) CreatePatient(context.Context, *vw.CreatePatientRequest) (*vw.Patient, error) {
	r.calls.Add(1)
	return &vw.Patient{}, nil
}

func startPlanner(t *testing.T) (vw.PlannerServiceClient, *reached, *trail) {
	t.Helper()
	r, told := &reached{}, &trail{}
	o := testOptions(&echo{})
	o.Register = func(s grpc.ServiceRegistrar) { vw.RegisterPlannerServiceServer(s, r) }
	o.Table, o.Refusals = Table, told
	_, conn := start(t, o)
	return vw.NewPlannerServiceClient(conn), r, told
}

func TestATokenNeverReachesIntoAnotherPractice(t *testing.T) {
	planner, r, told := startPlanner(t)
	ctx := as(t.Context(), "amsel-clinician")
	tooth := &vw.Tooth{Iso: "46"}
	for what, call := range map[string]func() error{
		"a case by name": func() error {
			_, err := planner.GetCase(ctx, &vw.GetCaseRequest{Name: "practices/star/cases/c1"})
			return err
		},
		"a practice whose id begins like one's own": func() error {
			_, err := planner.GetCase(ctx, &vw.GetCaseRequest{Name: "practices/amsel2/cases/c1"})
			return err
		},
		"the parent of a new case": func() error {
			_, err := planner.CreateCase(ctx, &vw.CreateCaseRequest{Parent: "practices/star", Case: &vw.Case{Patient: "practices/amsel/patients/p1", Tooth: tooth}})
			return err
		},
		"a patient inside a message": func() error {
			_, err := planner.CreateCase(ctx, &vw.CreateCaseRequest{Parent: "practices/amsel", Case: &vw.Case{Patient: "practices/star/patients/p1", Tooth: tooth}})
			return err
		},
		"one of several teeth": func() error {
			_, err := planner.GetVisitSheet(ctx, &vw.GetVisitSheetRequest{Parts: []*vw.VisitPart{
				{Plan: "practices/amsel/cases/c1/plans/1", Visit: 1}, {Plan: "practices/star/cases/c2/plans/1", Visit: 1}}})
			return err
		},
	} {
		before := len(told.list())
		err := call()
		wantCode(t, err, codes.NotFound)
		if !strings.Contains(detailsOf(err), "PRACTICE_NOT_FOUND") || strings.Contains(err.Error(), "star") {
			t.Errorf("%s: %v with %s", what, err, detailsOf(err))
		}
		if r.calls.Load() != 0 {
			t.Fatalf("%s reached the handler", what)
		}
		if len(told.list()) != before+1 {
			t.Errorf("%s is not in the audit trail", what)
		}
	}
	if _, err := planner.GetCase(ctx, &vw.GetCaseRequest{Name: "practices/amsel/cases/c1"}); err != nil || r.calls.Load() != 1 {
		t.Errorf("one's own case: %v", err)
	}
}

func TestWhatPeopleWriteAboutAPatientIsNotTakenForAName(t *testing.T) {
	planner, _, _ := startPlanner(t)
	_, err := planner.CreatePatient(as(t.Context(), "amsel-clinician"), &vw.CreatePatientRequest{
		Parent: "practices/amsel", Patient: &vw.Patient{Reference: "A-1", Label: proto.String("practices/star")}})
	if err != nil {
		t.Error(err)
	}
}

func TestAnIntegrationNamesThePersonItActsForAndNobodyElseDoes(t *testing.T) {
	planner, r, _ := startPlanner(t)
	add := func(token, person string) error {
		_, err := planner.CreatePatient(as(t.Context(), token), &vw.CreatePatientRequest{
			Parent: "practices/amsel", Patient: &vw.Patient{Reference: "A-1"}, OnBehalfOf: person})
		return err
	}
	err := add("amsel-integration", "")
	wantCode(t, err, codes.InvalidArgument)
	if !strings.Contains(detailsOf(err), "ON_BEHALF_OF_REQUIRED") {
		t.Errorf("details %s", detailsOf(err))
	}
	wantCode(t, add("amsel-clinician", "front-desk"), codes.PermissionDenied)
	if r.calls.Load() != 0 {
		t.Fatal("a refused call reached the handler")
	}
	if err := add("amsel-integration", "front-desk"); err != nil {
		t.Error(err)
	}
	if err := add("amsel-clinician", ""); err != nil {
		t.Error(err)
	}
}

func TestAFieldThatIsWrongIsNamedAndItsValueIsNot(t *testing.T) {
	planner, r, _ := startPlanner(t)
	for _, weight := range []float64{0, 700} {
		_, err := planner.CreatePatient(as(t.Context(), "amsel-clinician"), &vw.CreatePatientRequest{
			Parent: "practices/amsel", Patient: &vw.Patient{Reference: "A-1", WeightKg: &weight, Phone: proto.String(strings.Repeat("0555", 20))}})
		wantCode(t, err, codes.InvalidArgument)
		text := err.Error() + detailsOf(err)
		if !strings.Contains(text, "patient.weight_kg") || !strings.Contains(text, "patient.phone") {
			t.Errorf("weight of %v kg: %s", weight, text)
		}
		if strings.Contains(text, "0555") {
			t.Errorf("the answer repeats the telephone: %s", text)
		}
	}
	if r.calls.Load() != 0 {
		t.Fatal("a refused call reached the handler")
	}
}

func (r *reached) UpdatePatient(context.Context, *vw.UpdatePatientRequest) (*vw.Patient, error) {
	r.calls.Add(1)
	return &vw.Patient{}, nil
}

func TestAnUpdateIsHeldToTheRulesOfWhatItChanges(t *testing.T) {
	planner, r, _ := startPlanner(t)
	change := func(weight float64, paths ...string) error {
		_, err := planner.UpdatePatient(as(t.Context(), "amsel-clinician"), &vw.UpdatePatientRequest{
			Patient: &vw.Patient{Name: "practices/amsel/patients/p1", Etag: `"1"`, WeightKg: &weight}, UpdateMask: &fieldmaskpb.FieldMask{Paths: paths}})
		return err
	}
	if err := change(70, "weight_kg"); err != nil {
		t.Errorf("a weight without the reference: %v", err)
	}
	before := r.calls.Load()
	wantCode(t, change(700, "weight_kg"), codes.InvalidArgument)
	wantCode(t, change(70, "weight_kg", "reference"), codes.InvalidArgument)
	wantCode(t, change(70), codes.InvalidArgument) // no mask: all of it
	if r.calls.Load() != before {
		t.Error("a refused change reached the handler")
	}
}
