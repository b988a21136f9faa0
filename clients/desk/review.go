package desk

import (
	"net/http"
	"net/url"
	"strconv"

	"golang.org/x/sync/errgroup"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

var reviewRoutes = []route{
	{"GET /cases/{case}/review", clinicians, (*ask).reviewPage},
	{"POST /cases/{case}/review", clinicians, (*ask).review},
}

// reviewPage records a review and shows how it reads.
type reviewPage struct {
	*head
	Form  *form
	Signs []option
	// Due is the review that is asked for; Earlier are the reviews held.
	Due     *vw.FollowUp
	Earlier []*vw.CareEvent
	Indices []option
	Before  []option
	// Outcome is how the review reads; Kept says that it is recorded.
	Outcome *vw.ReviewOutcome
	Next    []*vw.FollowUp
	Kept    bool
}

// reviewSigns are what is asked besides the radiograph, in the order of an
// examination.
var reviewSigns = []string{"symptoms", "sinus_tract", "swelling", "tender_to_percussion", "deep_probing", "restoration_lost"}

func (q *ask) reviewPage() (*page, error) {
	return q.showReview(&reviewPage{Form: newForm(url.Values{"date": {q.words.ISODate(q.words.Today())}})}, 0)
}

func (q *ask) showReview(p *reviewPage, status int) (*page, error) {
	var err error
	if p.head, err = q.readHead("review"); err != nil {
		return nil, err
	}
	g, ctx := errgroup.WithContext(q)
	g.Go(func() error {
		reply, err := q.followUp().ListFollowUps(ctx, &vw.ListFollowUpsRequest{Parent: q.practice, Case: p.Case.GetName(), PageSize: mostKept})
		for _, f := range reply.GetFollowUps() {
			if f.GetKind() == "review" && p.Due == nil {
				p.Due = f
			}
		}
		return err
	})
	g.Go(func() error {
		reply, err := q.followUp().ListCareEvents(ctx, &vw.ListCareEventsRequest{Parent: p.Case.GetName(), PageSize: 100})
		for _, e := range reply.GetEvents() {
			if e.GetKind() == "reviewed" || e.GetKind() == "filled" {
				p.Earlier = append(p.Earlier, e)
			}
		}
		return err
	})
	if err := g.Wait(); err != nil {
		return nil, err
	}
	p.Form.Set("index_now", p.Form.Get("index_now")) // nothing said stands for "none was taken"
	p.Indices = []option{{Value: "", Text: q.t("review.no-radiograph")}}
	p.Before = []option{{Value: "", Text: q.t("review.as-recorded")}}
	for n := 1; n <= 5; n++ {
		o := option{Value: strconv.Itoa(n), Text: q.t("review.index-" + strconv.Itoa(n))}
		p.Indices, p.Before = append(p.Indices, o), append(p.Before, o)
	}
	for _, s := range reviewSigns {
		p.Signs = append(p.Signs, option{Value: s, Text: q.t("review.sign-" + s)})
	}
	return &page{name: "review", title: q.titleOf("review.title", p.head), section: "patients", data: p, status: status}, nil
}

func (q *ask) review() (*page, error) {
	f := q.typed()
	p := &reviewPage{Form: f}
	signs := map[string]bool{}
	for _, s := range f.All("sign") {
		signs[s] = true
	}
	request := &vw.RecordReviewRequest{Case: q.name("cases", q.path("case")), Date: f.day(q, "date"), IndexNow: f.whole(q, "index_now", 1, 5), IndexBefore: f.whole(q, "index_before", 1, 5),
		RadiographReason: f.Get("radiograph_reason"), Symptoms: signs["symptoms"], SinusTract: signs["sinus_tract"], Swelling: signs["swelling"],
		TenderToPercussion: signs["tender_to_percussion"], DeepProbing: signs["deep_probing"], RestorationLost: signs["restoration_lost"], ByReferrer: f.On("by_referrer")}
	keep := f.Get("do") == "keep"
	if keep {
		request.RequestId = f.RequestID
	} else {
		request.ValidateOnly = true
	}
	if f.Get("date") == "" {
		f.wrong("date", q.t("form.date-wrong"))
	}
	if !f.ok() {
		return q.showReview(p, http.StatusUnprocessableEntity)
	}
	reply, err := q.followUp().RecordReview(q, request)
	switch {
	case err != nil && reasonOf(err) == "NOT_TREATED_YET":
		f.Problem = q.t("review.not-treated")
	case err != nil && !f.refused(err, map[string]string{"date": "date", "index_now": "index_now", "index_before": "index_before", "radiograph_reason": "radiograph_reason"}):
		return nil, err
	}
	if err != nil {
		return q.showReview(p, http.StatusUnprocessableEntity)
	}
	p.Outcome, p.Next, p.Kept = reply.GetOutcome(), reply.GetFollowUps(), keep
	return q.showReview(p, 0)
}

// Outcome names how a review reads, After what comes next.
func (w *words) Outcome(id string) string { return w.Enum("review.outcome", shortened(id)) }
func (w *words) After(id string) string   { return w.Enum("review.next", shortened(id)) }
