package server

import (
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
	"github.com/visitwright/visitwright/store/access"
)

// followUpTable is who may call what of the follow-ups. Everybody who works
// with patients sees what is due and records what came of it; a review is
// judged and a decision taken by a clinician alone.
var followUpTable = access.Table{
	vw.FollowUpService_ListFollowUps_FullMethodName:       patientWork,
	vw.FollowUpService_PutOffFollowUp_FullMethodName:      patientWork,
	vw.FollowUpService_FinishFollowUp_FullMethodName:      {clinician},
	vw.FollowUpService_RecordCare_FullMethodName:          {clinician, nurse},
	vw.FollowUpService_RecordRestoration_FullMethodName:   patientWork,
	vw.FollowUpService_RecordReview_FullMethodName:        {clinician},
	vw.FollowUpService_ReportCall_FullMethodName:          patientWork,
	vw.FollowUpService_ListCareEvents_FullMethodName:      patientWork,
	vw.FollowUpService_ListMessages_FullMethodName:        patientWork,
	vw.FollowUpService_RetryMessage_FullMethodName:        {reception, nurse, clinician},
	vw.FollowUpService_ClaimMessages_FullMethodName:       {integration, manager},
	vw.FollowUpService_CollectLetter_FullMethodName:       {integration, manager},
	vw.FollowUpService_AcknowledgeMessage_FullMethodName:  {integration, manager},
	vw.FollowUpService_FailMessage_FullMethodName:         {integration, manager},
	vw.FollowUpService_GetContactWishes_FullMethodName:    patientWork,
	vw.FollowUpService_SetContactWishes_FullMethodName:    patientWork,
	vw.FollowUpService_GetMessagePolicy_FullMethodName:    store.Roles(),
	vw.FollowUpService_UpdateMessagePolicy_FullMethodName: {manager},
	vw.FollowUpService_CheckTemplate_FullMethodName:       {manager, reception},
	vw.FollowUpService_GetPracticeFigures_FullMethodName:  {clinician, manager},
	vw.FollowUpService_GetReport_FullMethodName:           {clinician, nurse, reception},
	vw.FollowUpService_ListJobs_FullMethodName:            {manager},
}
