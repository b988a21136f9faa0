package server

import (
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store/access"
)

// chairTable is who may call what in the chair: the people at it work, who
// weighs the estimates reads.
var chairTable = access.Table{
	vw.ChairService_BeginVisit_FullMethodName:           {nurse, clinician},
	vw.ChairService_AddMarks_FullMethodName:             {nurse, clinician},
	vw.ChairService_GetVisit_FullMethodName:             patientWork,
	vw.ChairService_ListVisits_FullMethodName:           patientWork,
	vw.ChairService_EndVisit_FullMethodName:             {nurse, clinician},
	vw.ChairService_ReplanVisit_FullMethodName:          patientWork,
	vw.ChairService_StopTreatment_FullMethodName:        {clinician},
	vw.ChairService_ListCalibrations_FullMethodName:     {clinician, manager},
	vw.ChairService_GetCalibrationReport_FullMethodName: {clinician, manager},
}
