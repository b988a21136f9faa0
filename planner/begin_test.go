package planner_test

import (
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// What a clinician may not accept, or only with a reason, nobody begins by
// naming it at the chair.
func TestAVisitBeginsByNoOptionThatARuleSpeaksAgainst(t *testing.T) {
	b := newBench(t)
	for apical, want := range map[string]string{"acute-apical-abscess": "OPTION_FORBIDDEN", "symptomatic-apical-periodontitis": "INVALID_FIELD"} {
		c := b.molar(b.patient("P-" + apical))
		_, err := b.Assess(b.clinician(), &vw.AssessRequest{Parent: c.GetName(), Findings: &vw.Findings{Diagnosis: &vw.Diagnosis{Pulpal: "necrosis", Apical: apical}}})
		b.must(err)
		plan := b.planned(c)
		option := ""
		for _, o := range plan.GetOptions() {
			if s := o.GetStrength(); s == vw.Reason_STANCE_FORBIDS || s == vw.Reason_STANCE_ADVISES_AGAINST {
				option = o.GetId()
			}
		}
		begin := &vw.BeginVisitRequest{Parent: c.GetName(), IdentityConfirmed: true, AlertsConfirmed: true, ValidateOnly: true,
			AppointmentMinutes: 90, Part: &vw.VisitPart{Plan: plan.GetName(), Option: option, Visit: 1}}
		code := codes.FailedPrecondition
		if want == "INVALID_FIELD" {
			code = codes.InvalidArgument
		}
		_, err = b.chair.BeginVisit(b.clinician(), begin)
		b.refused(err, code, want)
		if want == "OPTION_FORBIDDEN" {
			_, err = b.AcceptOption(b.clinician(), &vw.AcceptOptionRequest{Name: plan.GetName(), Option: option, OverrideReason: "all the same"})
			b.refused(err, code, want)
			continue
		}
		_, err = b.AcceptOption(b.clinician(), &vw.AcceptOptionRequest{Name: plan.GetName(), Option: option, OverrideReason: "leaves the country tomorrow"})
		b.must(err)
		_, err = b.chair.BeginVisit(b.clinician(), begin)
		b.must(err)
	}
}

// The appointment of somebody else is no visit of this patient, also where it
// names no tooth.
func TestAVisitBeginsInNoAppointmentOfAnotherPatient(t *testing.T) {
	b := newBench(t)
	c, _ := b.accepted()
	other := b.patient("A-2002").GetName()
	taken, err := b.store.TakeIn(t.Context(), store.Call{Practice: "willow-lane", Actor: "test", Role: store.RoleManager, Method: "/test"}, []store.ExternalAppointment{{
		Key: store.ExternalID{System: "practice-diary", Value: "1"}, PatientID: other[strings.LastIndex(other, "/")+1:], Start: tuesday, End: tuesday.Add(time.Hour)}})
	b.must(err)
	for _, preview := range []bool{true, false} {
		_, err = b.chair.BeginVisit(b.clinician(), &vw.BeginVisitRequest{Parent: c.GetName(), IdentityConfirmed: true, AlertsConfirmed: true, ValidateOnly: preview,
			Appointment: "practices/willow-lane/appointments/" + taken[0].ID})
		b.refused(err, codes.FailedPrecondition, "DIFFERENT_PATIENTS")
	}
}
