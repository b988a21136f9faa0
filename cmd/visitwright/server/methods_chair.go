package server

import (
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store/access"
)

// chairTable is who may call what in the chair. Whoever stands by the patient
// marks; only a clinician stops a treatment.
var chairTable = access.Table{
	vw.ChairService_BeginVisit_FullMethodName: {clinician, nurse},
	vw.ChairService_AddMarks_FullMethodName:   {clinician, nurse},
	vw.ChairService_GetVisit_FullMethodName:   patientWork,
	vw.ChairService_ListVisits_FullMethodName: patientWork,
	vw.ChairService_EndVisit_FullMethodName:   {clinician, nurse},
	// Reception and integrations preview only: the handler looks at validate_only.
	vw.ChairService_ReplanVisit_FullMethodName:   patientWork,
	vw.ChairService_StopTreatment_FullMethodName: {clinician},
	// Whose figures are shown is a setting of the practice: the handler looks at it.
	vw.ChairService_ListCalibrations_FullMethodName:     {clinician, manager},
	vw.ChairService_GetCalibrationReport_FullMethodName: {clinician, manager},
}
