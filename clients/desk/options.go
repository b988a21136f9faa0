package desk

import (
	"cmp"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	"golang.org/x/sync/errgroup"
	"google.golang.org/protobuf/types/known/timestamppb"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

var optionRoutes = []route{
	{"GET /cases/{case}/options", careTeam, (*ask).optionsPage},
	{"POST /cases/{case}/options/propose", clinical, (*ask).propose},
	{"POST /cases/{case}/options/accept", clinicians, (*ask).acceptOption},
	{"GET /cases/{case}/options/print", careTeam, (*ask).printPlan},
}

// optionsPage sets the ways of treating a tooth side by side.
type optionsPage struct {
	*head
	Plan *vw.Plan
	// Newest is the number of the newest revision; an earlier one is only read.
	Newest int64
	// Changes say what differs from the revision before, Because why, once each.
	Changes *vw.PlanDifference
	Because []string
	Form    *form
	Done    string

	Options  []optionView
	Forms    []option
	Givers   []option
	Choices  []option
	Accepted *vw.TreatmentOption
	// Most are choices of the most visits to plan for.
	Most []option
}

// optionView is one option with what the page marks it by.
type optionView struct {
	*vw.TreatmentOption
	Recommended, Accepted bool
}

// Taken reports whether the plan may still be acted on.
func (p *optionsPage) Taken() bool { return p.Plan.GetRevision() == p.Newest && !p.Closed() }

func (q *ask) optionsPage() (*page, error) {
	p := &optionsPage{Form: newForm(nil)}
	if p.Done = q.done("options"); q.form.Get("do") == "propose" {
		p.Done = q.t("options.not-proposed")
	}
	return q.showOptions(p, q.form.Get("revision"), 0)
}

func (q *ask) showOptions(p *optionsPage, revision string, status int) (*page, error) {
	var err error
	if p.head, err = q.readHead("options", "consent-forms", "stops"); err != nil {
		return nil, err
	}
	if latest := p.Case.GetLatestPlan(); latest != "" {
		p.Newest, _ = strconv.ParseInt(lastPart(latest), 10, 64)
		wanted := p.Newest
		if n, err := strconv.ParseInt(revision, 10, 32); err == nil && n >= 1 && n <= p.Newest {
			wanted = n
		}
		if err := q.readPlan(p, wanted); err != nil {
			return nil, err
		}
	}
	for _, n := range []string{"", "1", "2", "3", "4"} {
		text := q.t("options.most-any")
		if n != "" {
			text = q.t("options.most", n)
		}
		p.Most = append(p.Most, option{Value: n, Text: text})
	}
	q.offerToAccept(p)
	return &page{name: "options", title: q.titleOf("options.title", p.head), section: "patients", data: p, status: status}, nil
}

func (q *ask) readPlan(p *optionsPage, revision int64) error {
	at := p.Case.GetName() + "/plans/"
	name := at + strconv.FormatInt(revision, 10)
	g, ctx := errgroup.WithContext(q)
	g.Go(func() (err error) {
		// The curves stand in the full view alone.
		p.Plan, err = q.planner().GetPlan(ctx, &vw.GetPlanRequest{Name: name, View: vw.PlanView_PLAN_VIEW_FULL})
		return err
	})
	if revision > 1 {
		g.Go(func() (err error) {
			p.Changes, err = q.planner().ComparePlans(ctx, &vw.ComparePlansRequest{FromPlan: at + strconv.FormatInt(revision-1, 10), ToPlan: name})
			return err
		})
	}
	if err := g.Wait(); err != nil {
		return err
	}
	for _, c := range p.Changes.GetChanges() {
		if why := c.GetBecause(); why != "" && !slices.Contains(p.Because, why) {
			p.Because = append(p.Because, why)
		}
	}
	return nil
}

// offerToAccept prepares what can be accepted, and with which consent.
func (q *ask) offerToAccept(p *optionsPage) {
	accepted := p.Plan.GetAccepted().GetOption()
	p.Accepted = optionOf(p.Plan, accepted)
	for _, o := range p.Plan.GetOptions() {
		p.Options = append(p.Options, optionView{o, o.GetId() == p.Plan.GetRecommendedOption(), o.GetId() == accepted})
		if !o.GetFeasible() || o.GetStrength() == vw.Reason_STANCE_FORBIDS {
			continue
		}
		c := option{Value: o.GetId(), Text: o.GetTitle()}
		switch {
		case o.GetStrength() == vw.Reason_STANCE_ADVISES_AGAINST:
			c.Hint = q.t("options.advised-against")
		case o.GetId() == p.Plan.GetRecommendedOption():
			c.Hint = q.t("options.recommended")
		}
		p.Choices = append(p.Choices, c)
	}
	p.Forms = p.Named["consent-forms"].options("")
	p.Givers = []option{{Value: "", Text: q.t("options.consent-later")}, {Value: "GIVER_PATIENT", Text: q.t("options.consent-patient")}}
	if p.Patient.GetGuardian() != nil {
		p.Givers = append(p.Givers, option{Value: "GIVER_GUARDIAN", Text: q.t("options.consent-guardian", cmp.Or(p.Patient.GetGuardian().GetLabel(), q.t("case.giver-guardian")))})
	}
	f := p.Form
	if f.Get("option") == "" {
		f.Set("option", cmp.Or(accepted, p.Plan.GetRecommendedOption()))
	}
	if f.Get("etag") == "" {
		f.Set("etag", p.Plan.GetEtag())
	}
	f.Set("consent_giver", f.Get("consent_giver")) // nothing said stands for "not yet"
	if f.Get("consent_date") == "" && len(f.Wrong) == 0 {
		f.Set("consent_date", q.words.ISODate(q.words.Today()))
		f.Set("consent_time", q.words.now.Format("15:04"))
	}
}

func (q *ask) propose() (*page, error) {
	f := q.typed()
	request := &vw.ProposePlanRequest{Parent: q.name("cases", q.path("case")), RequestId: f.RequestID}
	if n := f.whole(q, "most_visits", 1, 4); n != nil {
		request.MostVisits = *n
	}
	if f.ok() {
		_, err := q.planner().ProposePlan(q, request)
		if err == nil {
			return goTo("/cases/" + q.path("case") + "/options?done=proposed"), nil
		}
		if reasonOf(err) == "ASSESSMENT_MISSING" || reasonOf(err) == "REASSESSMENT_NEEDED" {
			f.Problem = q.t("options.assess-first")
		} else if !f.refused(err, map[string]string{"most_visits": "most_visits"}) {
			return nil, err
		}
	}
	return q.showOptions(&optionsPage{Form: f}, "", http.StatusUnprocessableEntity)
}

// consent reads who agreed, how and when; nil when it is to come.
func (q *ask) consent(f *form) *vw.Consent {
	giver := vw.Consent_Giver(vw.Consent_Giver_value[f.Get("consent_giver")])
	if giver == vw.Consent_GIVER_UNSPECIFIED {
		if f.Get("consent_giver") != "" {
			f.wrong("consent_giver", q.t("form.choice-wrong"))
		}
		return nil
	}
	c := &vw.Consent{Giver: giver, Form: f.Get("consent_form"), Note: f.Get("consent_note")}
	if c.GetForm() == "" {
		f.wrong("consent_form", q.t("options.consent-form-missing"))
	}
	at, err := time.ParseInLocation("2006-01-02 15:04", f.Get("consent_date")+" "+f.Get("consent_time"), q.words.zone)
	switch {
	case err != nil:
		f.wrong("consent_date", q.t("options.consent-when"))
	case at.After(q.words.now.Add(time.Minute)):
		f.wrong("consent_date", q.t("options.consent-ahead"))
	default:
		c.AgreeTime = timestamppb.New(at)
	}
	return c
}

// acceptFields are the fields of the form by their path in the request.
var acceptFields = map[string]string{"option": "option", "override_reason": "override_reason", "consent.form": "consent_form", "consent.agree_time": "consent_date",
	"consent.giver": "consent_giver", "consent.note": "consent_note", "consent": "consent_giver"}

func (q *ask) acceptOption() (*page, error) {
	f := q.typed()
	p := &optionsPage{Form: f}
	if f.Get("option") == "" {
		f.wrong("option", q.t("options.option-missing"))
	}
	request := &vw.AcceptOptionRequest{Name: q.name("cases", q.path("case")) + "/plans/" + f.Get("revision"), Option: f.Get("option"), Etag: f.Get("etag"),
		Consent: q.consent(f), OverrideReason: f.Get("override_reason"), RequestId: f.RequestID}
	if f.ok() {
		_, err := q.planner().AcceptOption(q, request)
		switch reason := reasonOf(err); {
		case err == nil:
			return goTo("/cases/" + q.path("case") + "?done=accepted"), nil
		case reason == "PLAN_SUPERSEDED" || reason == "ETAG_MISMATCH":
			// What somebody else proposed or accepted meanwhile is shown; whoever
			// still means it accepts again.
			f.Problem = q.t("options.meanwhile")
			f.Set("etag", "")
			f.RequestID = newRequestID()
		case !f.refused(err, acceptFields):
			return nil, err
		}
	}
	return q.showOptions(p, f.Get("revision-shown"), http.StatusUnprocessableEntity)
}

// printed is the plan as a patient takes it home.
type printed struct {
	*head
	Option   *vw.TreatmentOption
	Others   []*vw.TreatmentOption
	Further  []*vw.FurtherCanal
	Practice string
	Wrong    []string
	Accepted bool
	// Windows are the least and the most days between two visits, each pair
	// once.
	Windows [][2]int32
}

// printPlan writes the accepted plan, or the recommended one, in plain words.
func (q *ask) printPlan() (*page, error) {
	h, err := q.readHead("options")
	if err != nil {
		return nil, err
	}
	if h.Case.GetLatestPlan() == "" {
		return nil, errNoPage
	}
	plan, err := q.planner().GetPlan(q, &vw.GetPlanRequest{Name: h.Case.GetLatestPlan()})
	if err != nil {
		return nil, err
	}
	id := cmp.Or(q.form.Get("option"), plan.GetAccepted().GetOption(), plan.GetRecommendedOption())
	p := &printed{head: h, Option: optionOf(plan, id), Practice: q.me.GetPracticeTitle(), Accepted: plan.GetAccepted().GetOption() == id && id != ""}
	if p.Option == nil || !p.Option.GetFeasible() {
		return nil, errNoPage
	}
	for _, o := range plan.GetOptions() {
		if o.GetId() != id && o.GetFeasible() && o.GetStrength() != vw.Reason_STANCE_FORBIDS {
			p.Others = append(p.Others, o)
		}
	}
	for _, v := range p.Option.GetVisits() {
		w := v.GetReturnWindow()
		days := [2]int32{w.GetEarliest().GetDays(), w.GetLatest().GetDays()}
		if w.GetLatest() != nil && v.GetNumber() > 1 && !slices.Contains(p.Windows, days) {
			p.Windows = append(p.Windows, days)
		}
	}
	if id == plan.GetRecommendedOption() {
		p.Further = slices.DeleteFunc(plan.GetFurtherCanals(), func(c *vw.FurtherCanal) bool { return c.GetOdds().GetProbability() < 0.05 })
	}
	d := plan.GetAssessment().GetFindings().GetDiagnosis()
	if d == nil {
		d = h.Case.GetDiagnosis()
	}
	for _, key := range []string{"plain.pulp-" + d.GetPulpal(), "plain.root-" + d.GetApical()} {
		if q.words.has(key) {
			p.Wrong = append(p.Wrong, q.t(key))
		}
	}
	return &page{name: "options-print", title: q.titleOf("options.print-title", h), data: p, bare: true}, nil
}

// Anchor says from when the days of a window are counted.
func (w *words) Anchor(id string) string {
	if n, is := strings.CutPrefix(id, "visit-"); is {
		return w.T("options.after-visit", n)
	}
	return w.Enum("options.anchor", shortened(id))
}
