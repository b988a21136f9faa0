package scheduler

import (
	"context"
	"slices"
	"strings"
	"sync"

	"google.golang.org/genproto/googleapis/type/date"

	"github.com/visitwright/visitwright/planner/tooth"
	"github.com/visitwright/visitwright/proto/names"
	"github.com/visitwright/visitwright/proto/requests"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/scheduler/civil"
	"github.com/visitwright/visitwright/store"
)

// aheadDays is how far the list of what comes next looks.
const aheadDays = 14

// ListFollowUps lists what people must act on. What is due is brought up to
// date first, so that the list never lags behind a booking.
func (f *FollowUps) ListFollowUps(ctx context.Context, r *vw.ListFollowUpsRequest) (*vw.ListFollowUpsResponse, error) {
	caller, page, err := f.diary.list(ctx, r)
	if err != nil {
		return nil, err
	}
	if _, err := f.Refresh(ctx, caller.Practice); err != nil {
		return nil, f.diary.fault(err, caller, nil)
	}
	if f.Replan != nil {
		if _, err := f.Replan(ctx); err != nil {
			return nil, f.diary.fault(err, caller, nil)
		}
	}
	p, err := f.diary.store.GetPractice(ctx, caller.Reading())
	if err != nil {
		return nil, f.diary.fault(err, caller, nil)
	}
	zone, err := f.diary.zones.Zone(p.Zone)
	if err != nil {
		return nil, err
	}
	today := zone.Date(f.diary.now())
	q := store.FollowUpQuery{Kind: r.GetKind(), Actor: r.GetActor(), Page: page}
	switch r.GetView() {
	case "needs-decision":
		q.Actor = "clinician"
	case "today":
		q.State, q.ActBy = "due", today.String()
	case "overdue":
		q.State = "overdue"
	case "next-14-days":
		q.LatestBy = today.AddDays(aheadDays).String()
	}
	if r.GetCase() != "" {
		n, err := caller.One(names.CasePattern, "case", r.GetCase(), vw.ErrorReason_ERROR_REASON_CASE_NOT_FOUND)
		if err != nil {
			return nil, err
		}
		q.CaseID = n.ID
	}
	list, next, err := f.store.ListFollowUps(ctx, caller.Call, q)
	if err != nil {
		return nil, f.diary.fault(err, caller, nil)
	}
	out := &vw.ListFollowUpsResponse{NextPageToken: f.diary.pager.Token(r, next)}
	out.FollowUps, err = f.shown(ctx, caller, list)
	return out, err
}

// shown are follow-ups with their tooth in words, the plan proposed for them,
// and the offers for them. The diary is read once for all, and only when
// something is booked for one of them.
func (f *FollowUps) shown(ctx context.Context, c Caller, list []store.FollowUp) ([]*vw.FollowUp, error) {
	now := sync.OnceValues(func() (*snapshot, error) { return f.diary.snapshot(ctx, c.Reading()) })
	var out []*vw.FollowUp
	for _, x := range list {
		y := followUpToProto(c.Practice, x)
		y.Tooth = toothWords(x.Tooth)
		if x.ProposedRevision > 0 {
			y.ProposedPlan = names.Plan(c.Practice, x.CaseID, x.ProposedRevision)
		}
		y.PlanProblem = x.PlanProblem
		var err error
		if y.FindOffers, err = f.offersFor(c, x, now); err != nil {
			return nil, f.diary.fault(err, c, nil)
		}
		out = append(out, y)
	}
	return out, nil
}

func toothWords(code int) string {
	if code == 0 {
		return "tooth not yet identified"
	}
	t := tooth.Code(code)
	return t.In(tooth.ISO) + ", " + t.Words()
}

func followUpToProto(practice string, x store.FollowUp) *vw.FollowUp {
	return &vw.FollowUp{Case: names.Case(practice, x.CaseID), Patient: names.Patient(practice, x.PatientID), Key: x.Key, Kind: x.Kind, State: x.State,
		Actor: x.Actor, EarliestDate: keptDate(x.Earliest), TargetDate: keptDate(x.Target), LatestDate: keptDate(x.Latest), ActDate: keptDate(x.ActOn),
		Reason: x.Reason, Replan: x.Replan}
}

// keptDate is a day as the store has it; absent for none.
func keptDate(text string) *date.Date {
	d, err := civil.ParseDate(text)
	if err != nil {
		return nil
	}
	return dateToProto(d)
}

func dayWords(d civil.Date) string {
	_, month, day := d.Parts()
	return strings.Join([]string{d.Weekday().String(), plain(day), month.String()}, " ")
}

// ListCareEvents lists what was recorded of a case after its visits.
func (f *FollowUps) ListCareEvents(ctx context.Context, r *vw.ListCareEventsRequest) (*vw.ListCareEventsResponse, error) {
	caller, err := f.diary.who(ctx)
	if err != nil {
		return nil, err
	}
	n, err := caller.One(names.CasePattern, "parent", r.GetParent(), vw.ErrorReason_ERROR_REASON_CASE_NOT_FOUND)
	if err != nil {
		return nil, err
	}
	cursor, err := f.diary.pager.Cursor(r)
	if err != nil {
		return nil, f.diary.fault(err, caller, nil)
	}
	at, err := f.surroundings(ctx, caller.Practice)
	if err != nil {
		return nil, f.diary.fault(err, caller, nil)
	}
	care, err := f.store.ReadCare(ctx, caller.Call, n.ID)
	if err != nil {
		return nil, f.diary.fault(err, caller, nil)
	}
	recorded, err := eventsOf(care.Document)
	if err != nil {
		return nil, err
	}
	all, err := f.withVisits(care, recorded, at.zone)
	if err != nil {
		return nil, err
	}
	part, next, err := requests.Cut(store.Page{Size: int(r.GetPageSize()), After: cursor}, all)
	if err != nil {
		return nil, f.diary.fault(err, caller, nil)
	}
	out := &vw.ListCareEventsResponse{NextPageToken: f.diary.pager.Token(r, next)}
	for _, e := range part {
		out.Events = append(out.Events, &vw.CareEvent{Kind: string(e.Kind), Date: dateToProto(e.On), Text: eventWords(e)})
	}
	return out, nil
}

// ListMessages lists messages, failures and the call list.
func (f *FollowUps) ListMessages(ctx context.Context, r *vw.ListMessagesRequest) (*vw.ListMessagesResponse, error) {
	caller, page, err := f.diary.list(ctx, r)
	if err != nil {
		return nil, err
	}
	q := store.MessageQuery{State: store.MessageState(r.GetState()), Page: page}
	if r.GetPatient() != "" {
		if q.PatientID, err = caller.patient("patient", r.GetPatient()); err != nil {
			return nil, err
		}
	}
	states := []store.MessageState{"", store.MessageWaiting, store.MessageClaimed, store.MessageSending, store.MessageSent, store.MessageCall, store.MessageUncertain, store.MessageFailed, store.MessageCancelled}
	if !slices.Contains(states, q.State) {
		return nil, invalidField("state", "waiting, claimed, sending, sent, call, uncertain, failed or cancelled")
	}
	list, next, err := f.store.ListMessages(ctx, caller.Call, q)
	if err != nil {
		return nil, f.diary.fault(err, caller, nil)
	}
	out := &vw.ListMessagesResponse{NextPageToken: f.diary.pager.Token(r, next)}
	for _, m := range list {
		out.Messages = append(out.Messages, messageToProto(caller.Practice, m))
	}
	return out, nil
}

func messageToProto(practice string, m store.Message) *vw.Message {
	out := &vw.Message{Name: names.Message(practice, m.ID), Patient: names.Patient(practice, m.PatientID), Kind: m.Kind, State: string(m.State),
		NotBeforeTime: instant(m.NotBefore), UselessTime: instant(m.UselessAt), Attempts: int32(m.Attempt), SendTime: instant(m.SendTime), Channel: m.Channel, Problem: m.Problem}
	if m.Appointment != "" {
		out.Appointment = names.Appointment(practice, m.Appointment)
	}
	if m.CaseID != "" {
		out.Case = names.Case(practice, m.CaseID)
	}
	return out
}

// RetryMessage tries a failed or uncertain message once more.
func (f *FollowUps) RetryMessage(ctx context.Context, r *vw.RetryMessageRequest) (*vw.Message, error) {
	caller, err := f.diary.writer(ctx, r)
	if err != nil {
		return nil, err
	}
	n, err := caller.One(names.MessagePattern, "name", r.GetName(), vw.ErrorReason_ERROR_REASON_MESSAGE_NOT_FOUND)
	if err != nil {
		return nil, err
	}
	if r.GetValidateOnly() {
		return &vw.Message{Name: r.GetName()}, nil
	}
	m, err := f.store.RetryMessage(ctx, caller.Call, n.ID)
	if err != nil {
		return nil, f.messageFault(err, caller, r.GetName())
	}
	return messageToProto(caller.Practice, m), nil
}

// ListJobs lists the jobs that run by themselves.
func (f *FollowUps) ListJobs(ctx context.Context, r *vw.ListJobsRequest) (*vw.ListJobsResponse, error) {
	caller, page, err := f.diary.list(ctx, r)
	if err != nil {
		return nil, err
	}
	all, err := f.store.ListJobs(ctx)
	if err != nil {
		return nil, f.diary.fault(err, caller, nil)
	}
	part, next, err := requests.Cut(page, all)
	if err != nil {
		return nil, f.diary.fault(err, caller, nil)
	}
	out := &vw.ListJobsResponse{NextPageToken: f.diary.pager.Token(r, next)}
	for _, j := range part {
		out.Jobs = append(out.Jobs, &vw.Job{Id: j.ID, LastStartTime: instant(j.Start), LastSuccessTime: instant(j.Success), NextTime: instant(j.Next),
			LastSeconds: j.Took.Seconds(), Failures: j.Failures, FailuresInRow: j.InARow, LastCount: j.Did})
	}
	return out, nil
}
