package desk

import (
	"net/http"
	"net/url"

	"golang.org/x/sync/errgroup"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

var careRoutes = []route{
	{"GET /cases/{case}/care", careTeam, (*ask).carePage},
	{"POST /cases/{case}/care/call", careTeam, (*ask).careCall},
	{"POST /cases/{case}/care/left", clinical, (*ask).careLeft},
	{"POST /cases/{case}/care/restored", careTeam, (*ask).careRestored},
}

// complaints are what patients call about between visits.
var complaints = []string{"temporary-lost", "pain", "swelling", "crown-off"}

// careView takes a call between visits, and what is recorded of the tooth
// outside the chair.
type careView struct {
	*head
	Done string
	// Call, Left and Restored are the three forms; one of them was typed into.
	Call, Left, Restored *form
	Complaints           []option
	Questions            []*vw.RedFlagQuestion
	Answer               *vw.ReportCallResponse
	Due                  []*vw.FollowUp
	Events               []*vw.CareEvent
	Stops                []option
	Dressings            []option
	Temporaries          []option
	Calendars            []option
}

// Flag is the field of one red-flag question.
func (p *careView) Flag(id string) string { return "flag-" + id }

// MustRead reports whether the urgent-care instruction has to be read out
// before anything else.
func (p *careView) MustRead() bool {
	return p.Answer != nil && len(p.Answer.GetRaisedFlags()) > 0 && !p.Call.On("read-out")
}

// Kept reports whether the call was kept.
func (p *careView) Kept() bool { return p.Answer != nil && !p.MustRead() }

func (q *ask) carePage() (*page, error) {
	return q.showCare(&careView{}, 0)
}

func (q *ask) showCare(p *careView, status int) (*page, error) {
	h, err := q.readHead("care", "stops", "medicaments", "temporaries", "review-calendars")
	if err != nil {
		return nil, err
	}
	p.head = h
	p.Done = q.done("care")
	today := url.Values{"date": {q.words.ISODate(q.words.Today())}}
	for _, f := range []**form{&p.Call, &p.Left, &p.Restored} {
		if *f == nil {
			*f = newForm(url.Values{"date": today["date"], "left": {"open"}})
		}
	}
	for _, c := range complaints {
		p.Complaints = append(p.Complaints, option{Value: c, Text: q.t("care.complaint-" + c)})
	}
	p.Stops, p.Calendars = h.Named["stops"].options(q.t("care.choose")), h.Named["review-calendars"].options(q.t("care.usual-calendar"))
	p.Dressings, p.Temporaries = h.Named["medicaments"].options(q.t("care.not-known")), h.Named["temporaries"].options(q.t("care.not-known"))
	g, ctx := errgroup.WithContext(q)
	g.Go(func() (err error) {
		p.Questions, err = q.redFlags()
		return err
	})
	g.Go(func() error {
		reply, err := q.followUp().ListFollowUps(ctx, &vw.ListFollowUpsRequest{Parent: q.practice, Case: h.Case.GetName(), PageSize: mostKept})
		p.Due = reply.GetFollowUps()
		return err
	})
	g.Go(func() error {
		reply, err := q.followUp().ListCareEvents(ctx, &vw.ListCareEventsRequest{Parent: h.Case.GetName(), PageSize: mostKept})
		p.Events = reply.GetEvents()
		return err
	})
	if err := g.Wait(); err != nil {
		return nil, err
	}
	return &page{name: "care", title: q.titleOf("care.title", h), section: "patients", data: p, status: status}, nil
}

// careCall takes the call: every red-flag question is answered first. A flag
// that is raised shows the practice's instruction, and nothing is kept before it
// was read out.
func (q *ask) careCall() (*page, error) {
	f := q.typed()
	p := &careView{Call: f}
	questions, err := q.redFlags()
	if err != nil {
		return nil, err
	}
	request := &vw.ReportCallRequest{Case: q.name("cases", q.path("case")), Complaint: f.Get("complaint"), InstructionAcknowledged: f.On("read-out"), RequestId: f.RequestID}
	known := false
	for _, c := range complaints {
		known = known || c == request.GetComplaint()
	}
	if !known {
		f.wrong("complaint", q.t("care.complaint-missing"))
	}
	for _, question := range questions {
		switch f.Get(p.Flag(question.GetId())) {
		case "yes":
			request.Answers = append(request.Answers, &vw.RedFlagAnswer{Question: question.GetId(), Yes: true})
		case "no":
			request.Answers = append(request.Answers, &vw.RedFlagAnswer{Question: question.GetId()})
		default:
			f.wrong(p.Flag(question.GetId()), q.t("care.unanswered"))
		}
	}
	if !f.ok() {
		return q.showCare(p, http.StatusUnprocessableEntity)
	}
	p.Answer, err = q.followUp().ReportCall(q, request)
	if err != nil {
		if !f.refused(err, map[string]string{"complaint": "complaint"}) {
			return nil, err
		}
		p.Answer = nil
		return q.showCare(p, http.StatusUnprocessableEntity)
	}
	if p.MustRead() {
		f.RequestID = newRequestID() // the next one is kept
	}
	return q.showCare(p, 0)
}

// careLeft records how a visit left the tooth, where no visit in the chair says
// it.
func (q *ask) careLeft() (*page, error) {
	f := q.typed()
	request := &vw.RecordCareRequest{Case: q.name("cases", q.path("case")), Date: f.day(q, "date"), RequestId: f.RequestID}
	switch f.Get("left") {
	case "filled":
		left := &vw.LeftFilled{CorePlaced: f.On("core_placed"), NeedsCoverage: f.On("needs_coverage"), ReferrerRestores: f.On("referrer_restores"),
			ReferrerReviews: f.On("referrer_reviews"), Calendar: f.Get("calendar"), InjuryDate: f.day(q, "injury_date")}
		if n := f.whole(q, "index_before", 1, 5); n != nil {
			left.IndexBefore = *n
		}
		request.Left = &vw.RecordCareRequest_Filled{Filled: left}
	default:
		left := &vw.LeftOpen{Stop: f.Get("stop"), Medicament: f.Get("medicament"), Temporary: f.Get("temporary")}
		if left.GetStop() == "" {
			f.wrong("stop", q.t("care.stop-missing"))
		}
		if mm := f.number(q, "seal_mm", 0, 20); mm != nil {
			left.SealMm = *mm
		}
		request.Left = &vw.RecordCareRequest_Open{Open: left}
	}
	if f.ok() {
		_, err := q.followUp().RecordCare(q, request)
		if err == nil {
			return goTo("/cases/" + q.path("case") + "/care?done=left"), nil
		}
		if !f.refused(err, map[string]string{"date": "date", "open.stop": "stop", "open.medicament": "medicament", "open.temporary": "temporary", "open.seal_mm": "seal_mm",
			"filled.calendar": "calendar", "filled.index_before": "index_before", "filled.injury_date": "injury_date"}) {
			return nil, err
		}
	}
	return q.showCare(&careView{Left: f}, http.StatusUnprocessableEntity)
}

// careRestored records that the tooth was restored, here or by whoever referred.
func (q *ask) careRestored() (*page, error) {
	f := q.typed()
	request := &vw.RecordRestorationRequest{Case: q.name("cases", q.path("case")), Date: f.day(q, "date"), CoreOnly: f.On("core_only"), ByReferrer: f.On("by_referrer"), RequestId: f.RequestID}
	if f.ok() {
		_, err := q.followUp().RecordRestoration(q, request)
		if err == nil {
			return goTo("/cases/" + q.path("case") + "/care?done=restored#restored"), nil
		}
		if !f.refused(err, map[string]string{"date": "date"}) {
			return nil, err
		}
	}
	return q.showCare(&careView{Restored: f}, http.StatusUnprocessableEntity)
}
