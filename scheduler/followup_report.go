package scheduler

import (
	"context"
	"fmt"
	"strings"

	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/scheduler/followup"
)

// GetReport writes the letter to the referring dentist as text: what was done,
// what is asked of them and by when.
func (f *FollowUps) GetReport(ctx context.Context, r *vw.GetReportRequest) (*vw.Report, error) {
	caller, err := f.diary.who(ctx)
	if err != nil {
		return nil, err
	}
	n, err := caller.one(names.CasePattern, "case", r.GetCase(), vw.ErrorReason_ERROR_REASON_CASE_NOT_FOUND)
	if err != nil {
		return nil, err
	}
	at, err := f.surroundings(ctx, caller.Practice)
	if err != nil {
		return nil, f.diary.fault(err, caller, nil)
	}
	care, err := f.store.ReadCare(ctx, caller.Call, n.ID)
	if err != nil {
		return nil, f.diary.fault(err, caller, nil)
	}
	patient, err := f.diary.store.GetPatient(ctx, caller.reading(), care.Case.PatientID)
	if err != nil {
		return nil, f.diary.fault(err, caller, nil)
	}
	recorded, err := eventsOf(care.Document)
	if err != nil {
		return nil, err
	}
	events, err := f.withVisits(care, recorded, at.zone)
	if err != nil {
		return nil, err
	}
	today := at.zone.Date(care.Now)
	state, _, err := followup.Fold(events, today)
	if err != nil {
		return nil, err
	}
	occasion := r.GetOccasion()
	if (occasion == "finish" && state.Filled == nil) || (occasion == "review" && (state.Reviews == nil || len(state.Reviews.Held) == 0)) {
		return nil, notTreated(r.GetCase())
	}
	state.Closed = care.Case.State == "closed"
	list, err := followup.Derive(state, at.calendar, today)
	if err != nil {
		return nil, err
	}
	var b strings.Builder
	line := func(format string, args ...any) { fmt.Fprintf(&b, format+"\n", args...) }
	title := map[string]string{"consultation": "Report after consultation", "finish": "Report after treatment", "stop": "Report after treatment was stopped", "review": "Report after review"}[occasion]
	line("%s", at.practice.Name)
	line("%s", today)
	line("")
	line("%s", title)
	line("Patient reference: %s", patient.Reference)
	line("Tooth: %s", toothWords(care.Case.Tooth))
	if care.Case.Diagnosis != "" {
		line("Diagnosis: %s", strings.ReplaceAll(care.Case.Diagnosis, "-", " "))
	}
	if q := care.Case.Referral; q != nil && q.Question != "" {
		line("Your question: %s", q.Question)
	}
	line("")
	line("What was done")
	if len(events) == 0 {
		line("- The tooth was looked at; no treatment was begun.")
	}
	for _, e := range events {
		if e.Kind != followup.PutOffTo {
			line("- %s: %s", e.On, eventWords(e))
		}
	}
	line("")
	line("What is asked of you")
	asked := 0
	for _, x := range list {
		if x.Actor != followup.Referrer {
			continue
		}
		asked++
		line("- %s between %s and %s, best on %s, and a note to us once it is done", x.Kind, x.Earliest, x.Latest, x.Target)
		line("  because %s", x.Reason)
	}
	if asked == 0 {
		line("- Nothing for now.")
	}
	line("")
	line("What we do")
	ours := 0
	for _, x := range list {
		if x.Actor != followup.Referrer {
			ours++
			line("- %s between %s and %s, best on %s", x.Kind, x.Earliest, x.Latest, x.Target)
		}
	}
	if ours == 0 {
		line("- Nothing is open.")
	}
	line("")
	line("This letter was put together from the record; it carries no signature until a clinician has read it.")
	return &vw.Report{Case: r.GetCase(), Text: b.String()}, nil
}
