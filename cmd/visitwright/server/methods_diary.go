package server

import (
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store/access"
)

// diaryTable is who may call what of the diary. The people at the front desk
// book and move; what the practice has, when it works and how much it keeps
// back is the manager's; only who takes a diary over from elsewhere writes
// appointments past the rules.
var diaryTable = access.Table{
	vw.DiaryService_CreateResource_FullMethodName:         {manager},
	vw.DiaryService_GetResource_FullMethodName:            everybody,
	vw.DiaryService_ListResources_FullMethodName:          everybody,
	vw.DiaryService_UpdateResource_FullMethodName:         {manager},
	vw.DiaryService_GetHours_FullMethodName:               everybody,
	vw.DiaryService_ListHours_FullMethodName:              everybody,
	vw.DiaryService_SetHours_FullMethodName:               {manager},
	vw.DiaryService_CreateAbsence_FullMethodName:          {reception, manager},
	vw.DiaryService_ListAbsences_FullMethodName:           everybody,
	vw.DiaryService_DeleteAbsence_FullMethodName:          {reception, manager},
	vw.DiaryService_ListHolidays_FullMethodName:           everybody,
	vw.DiaryService_GetDiarySettings_FullMethodName:       everybody,
	vw.DiaryService_UpdateDiarySettings_FullMethodName:    {manager},
	vw.DiaryService_FindOffers_FullMethodName:             patientWork,
	vw.DiaryService_CheckPlace_FullMethodName:             patientWork,
	vw.DiaryService_BookOffer_FullMethodName:              patientWork,
	vw.DiaryService_ConfirmBooking_FullMethodName:         patientWork,
	vw.DiaryService_GetBooking_FullMethodName:             patientWork,
	vw.DiaryService_GetAppointment_FullMethodName:         patientWork,
	vw.DiaryService_ListAppointments_FullMethodName:       patientWork,
	vw.DiaryService_MoveAppointment_FullMethodName:        patientWork,
	vw.DiaryService_RepairAppointments_FullMethodName:     patientWork,
	vw.DiaryService_CancelAppointment_FullMethodName:      patientWork,
	vw.DiaryService_RecordAttendance_FullMethodName:       patientWork,
	vw.DiaryService_TakeInAppointment_FullMethodName:      {manager, integration},
	vw.DiaryService_TakeInAppointments_FullMethodName:     {manager, integration},
	vw.DiaryService_CreateShortNoticeEntry_FullMethodName: {reception, nurse, clinician},
	vw.DiaryService_ListShortNoticeEntries_FullMethodName: {reception, nurse, clinician},
	vw.DiaryService_DeleteShortNoticeEntry_FullMethodName: {reception, nurse, clinician},
	vw.DiaryService_MatchShortNotice_FullMethodName:       {reception, nurse, clinician},
	vw.DiaryService_ListRedFlagQuestions_FullMethodName:   everybody,
	vw.DiaryService_FindEmergencyPlace_FullMethodName:     patientWork,
	vw.DiaryService_WatchDiary_FullMethodName:             patientWork,
	vw.DiaryService_ExportCalendar_FullMethodName:         patientWork,
	// A clinician's own feeds alone: the handler looks at whose.
	vw.DiaryService_CreateCalendarFeed_FullMethodName: {manager, clinician},
	vw.DiaryService_ListCalendarFeeds_FullMethodName:  {manager, clinician},
	vw.DiaryService_DeleteCalendarFeed_FullMethodName: {manager, clinician},
}
