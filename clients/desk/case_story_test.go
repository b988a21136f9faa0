package desk

import (
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/type/timeofday"
	"google.golang.org/protobuf/types/known/timestamppb"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// A visit is told by its instant, an appointment by its time of day: both count
// on the practice's clock.
func TestOneDayIsToldInTheOrderOfThePracticesClock(t *testing.T) {
	zone, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	now := time.Date(2026, 7, 1, 18, 0, 0, 0, zone)
	w := &words{texts: english(t), zone: zone, now: now}
	q := &ask{words: w, me: &vw.Me{Role: vw.Role_ROLE_CLINICIAN}}
	began := timestamppb.New(time.Date(2026, 7, 1, 10, 0, 0, 0, zone))
	missed := &vw.Appointment{Name: "practices/p/appointments/a", State: vw.Appointment_STATE_DID_NOT_ATTEND,
		Place: &vw.Place{Minutes: 30, Start: &vw.LocalDateTime{Date: dateOf(now), Time: &timeofday.TimeOfDay{Hours: 9}}}}
	days := q.story(&head{Case: &vw.Case{CreateTime: timestamppb.New(time.Date(2026, 7, 1, 8, 30, 0, 0, zone))}},
		&records{appointments: []*vw.Appointment{missed}, visits: []*vw.ChairVisit{{Name: "practices/p/cases/c/visits/1", BeginTime: began}}})
	if len(days) != 1 {
		t.Fatalf("%d days, want one", len(days))
	}
	if told := days[0].Told; len(told) != 3 || told[0].Text != w.T("case.told-opened") || told[1].Path != "/appointments/a" || told[2].Path == "" {
		t.Errorf("told %+v: want the case opened at 8.30, the place of 9.00, the visit of 10.00", told)
	}
}
