package desk

import (
	"net/http"
	"net/url"
	"slices"

	"golang.org/x/sync/errgroup"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// stopPage closes a case; it shows beforehand what ends with it.
type stopPage struct {
	*head
	Form    *form
	Reasons []option
	// What ends: appointments ahead, follow-ups, messages that wait.
	Coming   []*vw.Appointment
	Due      []*vw.FollowUp
	Messages []*vw.Message
	Running  bool
}

func (q *ask) stopCasePage() (*page, error) {
	return q.showStop(newForm(url.Values{"end_date": {q.words.ISODate(q.words.Today())}}), 0)
}

func (q *ask) showStop(f *form, status int) (*page, error) {
	h, err := q.readHead("stop")
	if err != nil {
		return nil, err
	}
	p := &stopPage{head: h, Form: f}
	if f.Get("etag") == "" {
		f.Set("etag", h.Case.GetEtag())
	}
	g, ctx := errgroup.WithContext(q)
	g.Go(func() error {
		reply, err := q.diary().ListAppointments(ctx, &vw.ListAppointmentsRequest{Parent: q.practice, Days: q.around(0, 398), Case: h.Case.GetName(), PageSize: mostKept})
		p.Coming, _ = q.split(reply.GetAppointments())
		return err
	})
	g.Go(func() error {
		reply, err := q.followUp().ListFollowUps(ctx, &vw.ListFollowUpsRequest{Parent: q.practice, Case: h.Case.GetName(), PageSize: mostKept})
		p.Due = reply.GetFollowUps()
		return err
	})
	g.Go(func() error {
		reply, err := q.followUp().ListMessages(ctx, &vw.ListMessagesRequest{Parent: q.practice, Patient: h.Case.GetPatient(), State: "waiting", PageSize: 200})
		p.Messages = slices.DeleteFunc(reply.GetMessages(), func(m *vw.Message) bool { return m.GetCase() != h.Case.GetName() })
		return err
	})
	g.Go(func() error {
		reply, err := q.chair().ListVisits(ctx, &vw.ListVisitsRequest{Parent: h.Case.GetName(), PageSize: 1})
		p.Running = slices.ContainsFunc(reply.GetVisits(), func(v *vw.ChairVisit) bool { return v.GetPhase() != vw.ChairVisit_PHASE_ENDED })
		return err
	})
	if err := g.Wait(); err != nil {
		return nil, err
	}
	for _, e := range h.Named["closing-reasons"].list {
		o := option{Value: e.GetId(), Text: e.GetTitle(), Hint: e.GetExplanation()}
		if !q.is(clinicians...) && (e.GetId() == "healed-discharged" || e.GetId() == "extracted") {
			continue // a clinician's decision
		}
		p.Reasons = append(p.Reasons, o)
	}
	return &page{name: "case-stop", title: q.titleOf("case.stop-title", h), section: "patients", data: p, status: status}, nil
}

func (q *ask) stopCase() (*page, error) {
	f := q.typed()
	if f.Get("reason") == "" {
		f.wrong("reason", q.t("case.reason-missing"))
	}
	request := &vw.StopCaseRequest{Name: q.name("cases", q.path("case")), ClosingReason: f.Get("reason"), EndDate: f.day(q, "end_date"), Note: f.Get("note"),
		Etag: f.Get("etag"), RequestId: f.RequestID}
	if f.ok() {
		_, err := q.planner().StopCase(q, request)
		switch {
		case err == nil:
			return goTo("/cases/" + q.path("case") + "?done=stopped"), nil
		case conflict(err):
			f.Problem = q.t("case.stop-conflict")
			f.Set("etag", "")
			f.RequestID = newRequestID()
		case !f.refused(err, map[string]string{"closing_reason": "reason", "end_date": "end_date", "note": "note"}):
			return nil, err
		}
	}
	return q.showStop(f, http.StatusUnprocessableEntity)
}
