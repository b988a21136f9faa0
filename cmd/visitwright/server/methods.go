package server

import (
	"slices"

	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	reflectionpb "google.golang.org/grpc/reflection/grpc_reflection_v1"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
	"github.com/visitwright/visitwright/store/access"
)

// openMethods need no token: health, for whoever watches over the process, and
// reflection, which is served on loopback only unless a flag says otherwise.
// They are not ours and answer in their own words.
var openMethods = []string{
	healthpb.Health_Check_FullMethodName,
	healthpb.Health_List_FullMethodName,
	healthpb.Health_Watch_FullMethodName,
	reflectionpb.ServerReflection_ServerReflectionInfo_FullMethodName,
}

// openContract is the whole of the contract that needs no token: signing in,
// and the calendar feed, whose secret is in the request and is checked by the
// handler: calendar programs can be given an address and nothing else.
var openContract = []string{
	vw.IdentityService_SignIn_FullMethodName,
	vw.DiaryService_ReadCalendarFeed_FullMethodName,
}

// open reports whether a method needs no token.
func open(method string) bool {
	return slices.Contains(openMethods, method) || slices.Contains(openContract, method)
}

const (
	reception   = store.RoleReception
	nurse       = store.RoleNurse
	clinician   = store.RoleClinician
	manager     = store.RoleManager
	integration = store.RoleIntegration
)

var (
	everybody = store.Roles()
	// patientWork reads and keeps patients and cases; a manager does not need to.
	patientWork = []store.Role{reception, nurse, clinician, integration}
)

// Table is who may call what. The contract's comment at each method says the
// same, which a test compares.
var Table = together(plannerTable, diaryTable, chairTable, followUpTable, identityTable)

var plannerTable = access.Table{
	vw.PlannerService_GetServerInfo_FullMethodName:          everybody,
	vw.PlannerService_GetPracticeSettings_FullMethodName:    everybody,
	vw.PlannerService_UpdatePracticeSettings_FullMethodName: {manager, clinician},

	vw.PlannerService_CreateClinician_FullMethodName: {manager},
	vw.PlannerService_GetClinician_FullMethodName:    everybody,
	vw.PlannerService_ListClinicians_FullMethodName:  everybody,
	// A clinician changes one preference of their own: the handler looks at whose.
	vw.PlannerService_UpdateClinician_FullMethodName: {manager, clinician},

	vw.PlannerService_CreatePatient_FullMethodName: patientWork,
	vw.PlannerService_GetPatient_FullMethodName:    patientWork,
	vw.PlannerService_ListPatients_FullMethodName:  patientWork,
	vw.PlannerService_UpdatePatient_FullMethodName: patientWork,

	vw.PlannerService_CreateCase_FullMethodName: patientWork,
	vw.PlannerService_GetCase_FullMethodName:    patientWork,
	vw.PlannerService_ListCases_FullMethodName:  patientWork,
	vw.PlannerService_UpdateCase_FullMethodName: patientWork,
	// Reception closes only what is not a clinical decision: the handler looks
	// at the reason.
	vw.PlannerService_StopCase_FullMethodName: {clinician, reception},

	// Reception and integrations preview only: the handler looks at validate_only.
	vw.PlannerService_Assess_FullMethodName:            patientWork,
	vw.PlannerService_GetAssessment_FullMethodName:     patientWork,
	vw.PlannerService_ListAssessments_FullMethodName:   patientWork,
	vw.PlannerService_ProposePlan_FullMethodName:       patientWork,
	vw.PlannerService_GetPlan_FullMethodName:           patientWork,
	vw.PlannerService_ListPlanRevisions_FullMethodName: patientWork,
	vw.PlannerService_ComparePlans_FullMethodName:      patientWork,
	vw.PlannerService_AcceptOption_FullMethodName:      {clinician},
	vw.PlannerService_GetVisitSheet_FullMethodName:     patientWork,
	vw.PlannerService_GetSharedVisits_FullMethodName:   patientWork,

	vw.PlannerService_ListCatalogues_FullMethodName:       everybody,
	vw.PlannerService_ListCatalogueEntries_FullMethodName: everybody,

	vw.PlannerService_ListAuditEntries_FullMethodName: {manager},
	vw.PlannerService_VerifyAuditTrail_FullMethodName: {manager},
}

func together(parts ...access.Table) access.Table {
	all := access.Table{}
	for _, part := range parts {
		for method, roles := range part {
			all[method] = roles
		}
	}
	return all
}
