package planner_test

import (
	"context"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// Every method that takes a name is called with names of another practice, by
// the role that may do most: a method that is not listed here fails the test.
func TestNoMethodReachesIntoAnotherPractice(t *testing.T) {
	b := newBench(t)
	patient := b.patient("A-1")
	c := b.molar(patient)
	assessed := b.assessed(c)
	plan := b.planned(c)
	doctor, err := b.CreateClinician(b.as(store.RoleManager), &vw.CreateClinicianRequest{Parent: ours, Clinician: &vw.Clinician{Title: "Dr A"}})
	b.must(err)
	settings, err := b.GetPracticeSettings(b.as(store.RoleManager), &vw.GetPracticeSettingsRequest{Name: ours + "/settings"})
	b.must(err)
	c, err = b.GetCase(b.clinician(), &vw.GetCaseRequest{Name: c.GetName()})
	b.must(err)
	before := b.trail()

	asClinician, asManager := b.of(theirs, store.RoleClinician), b.of(theirs, store.RoleManager)
	tries := map[string]func() error{
		"GetServerInfo":          nil, // takes no name
		"GetPracticeSettings":    try(asManager, b.GetPracticeSettings, &vw.GetPracticeSettingsRequest{Name: settings.GetName()}),
		"UpdatePracticeSettings": try(asManager, b.UpdatePracticeSettings, &vw.UpdatePracticeSettingsRequest{Settings: settings}),
		"CreateClinician":        try(asManager, b.CreateClinician, &vw.CreateClinicianRequest{Parent: ours, Clinician: &vw.Clinician{Title: "Dr X"}}),
		"GetClinician":           try(asManager, b.GetClinician, &vw.GetClinicianRequest{Name: doctor.GetName()}),
		"ListClinicians":         try(asManager, b.ListClinicians, &vw.ListCliniciansRequest{Parent: ours}),
		"UpdateClinician":        try(asManager, b.UpdateClinician, &vw.UpdateClinicianRequest{Clinician: doctor}),
		"CreatePatient":          try(asClinician, b.CreatePatient, &vw.CreatePatientRequest{Parent: ours, Patient: &vw.Patient{Reference: "X"}}),
		"GetPatient":             try(asClinician, b.GetPatient, &vw.GetPatientRequest{Name: patient.GetName()}),
		"ListPatients":           try(asClinician, b.ListPatients, &vw.ListPatientsRequest{Parent: ours}),
		"UpdatePatient":          try(asClinician, b.UpdatePatient, &vw.UpdatePatientRequest{Patient: patient}),
		"CreateCase":             try(asClinician, b.CreateCase, &vw.CreateCaseRequest{Parent: theirs, Case: &vw.Case{Patient: patient.GetName()}}),
		"GetCase":                try(asClinician, b.GetCase, &vw.GetCaseRequest{Name: c.GetName()}),
		"ListCases":              try(asClinician, b.ListCases, &vw.ListCasesRequest{Parent: ours}),
		"UpdateCase":             try(asClinician, b.UpdateCase, &vw.UpdateCaseRequest{Case: c}),
		"StopCase":               try(asClinician, b.StopCase, &vw.StopCaseRequest{Name: c.GetName(), ClosingReason: "lost"}),
		"Assess":                 try(asClinician, b.Assess, &vw.AssessRequest{Parent: c.GetName(), Findings: findings()}),
		"GetAssessment":          try(asClinician, b.GetAssessment, &vw.GetAssessmentRequest{Name: assessed.GetName()}),
		"ListAssessments":        try(asClinician, b.ListAssessments, &vw.ListAssessmentsRequest{Parent: c.GetName()}),
		"ProposePlan":            try(asClinician, b.ProposePlan, &vw.ProposePlanRequest{Parent: c.GetName()}),
		"GetPlan":                try(asClinician, b.GetPlan, &vw.GetPlanRequest{Name: plan.GetName()}),
		"ListPlanRevisions":      try(asClinician, b.ListPlanRevisions, &vw.ListPlanRevisionsRequest{Parent: c.GetName()}),
		"ComparePlans":           try(asClinician, b.ComparePlans, &vw.ComparePlansRequest{FromPlan: plan.GetName(), ToPlan: plan.GetName()}),
		"AcceptOption":           try(asClinician, b.AcceptOption, &vw.AcceptOptionRequest{Name: plan.GetName(), Option: plan.GetRecommendedOption()}),
		"GetVisitSheet":          try(asClinician, b.GetVisitSheet, &vw.GetVisitSheetRequest{Parts: []*vw.VisitPart{{Plan: plan.GetName(), Visit: 1}}}),
		"GetSharedVisits":        try(asClinician, b.GetSharedVisits, &vw.GetSharedVisitsRequest{Plans: []string{plan.GetName(), plan.GetName()}}),
		"ListCatalogues":         try(asClinician, b.ListCatalogues, &vw.ListCataloguesRequest{Parent: ours}),
		"ListCatalogueEntries":   try(asClinician, b.ListCatalogueEntries, &vw.ListCatalogueEntriesRequest{Parent: ours, Catalogue: "steps"}),
		"ListAuditEntries":       try(asManager, b.ListAuditEntries, &vw.ListAuditEntriesRequest{Parent: ours}),
		"VerifyAuditTrail":       try(asManager, b.VerifyAuditTrail, &vw.VerifyAuditTrailRequest{Parent: ours}),
	}
	methods := vw.File_visitwright_v1_planner_service_proto.Services().ByName("PlannerService").Methods()
	for i := range methods.Len() {
		name := string(methods.Get(i).Name())
		call, listed := tries[name]
		if !listed {
			t.Errorf("%s is not tried with another practice's names", name)
			continue
		}
		if call == nil {
			continue
		}
		if err := call(); status.Code(err) != codes.NotFound {
			t.Errorf("%s with another practice's names: %v, want not found", name, err)
		}
	}
	// Nothing of ours was read or written: the trail has our own reading only.
	if after := b.trail(); len(after) != len(before) {
		t.Errorf("the trail of the other practice grew by %d lines: %v", len(after)-len(before), after[0])
	}
}

func try[I, O proto.Message, P any](ctx context.Context, call func(context.Context, I, ...P) (O, error), request I) func() error {
	return func() error {
		_, err := call(ctx, request)
		return err
	}
}
