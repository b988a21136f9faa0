package desk

import (
	"cmp"
	"net/url"
	"slices"

	"golang.org/x/sync/errgroup"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

var caseRoutes = []route{
	{"GET /cases/new", careTeam, (*ask).newCasePage},
	{"POST /cases/new", careTeam, (*ask).makeCase},
	{"GET /cases/{case}", careTeam, (*ask).casePage},
	{"GET /cases/{case}/edit", careTeam, (*ask).editCasePage},
	{"POST /cases/{case}/edit", careTeam, (*ask).changeCase},
	{"GET /cases/{case}/stop", careTeam, (*ask).stopCasePage},
	{"POST /cases/{case}/stop", careTeam, (*ask).stopCase},
}

// head is who and which tooth a page is about, in words: it stands above
// everything that is done to the case.
type head struct {
	Case    *vw.Case
	Patient *vw.Patient
	Alerts  []alertView
	Named   map[string]entries
	// On is the page of the case that is open, for the row of links.
	On string
}

// Closed reports whether nothing more is done to the case.
func (h *head) Closed() bool { return h.Case.GetState() == vw.Case_STATE_CLOSED }

// caseNames are the catalogues that the head of a case names things by.
var caseNames = []string{"alerts", "alert-details", "pulpal-diagnoses", "apical-diagnoses", "closing-reasons", "protocols"}

// readHead reads the case and its patient. More catalogues may be asked for.
func (q *ask) readHead(on string, more ...string) (*head, error) {
	h := &head{On: on}
	g, ctx := errgroup.WithContext(q)
	g.Go(func() (err error) {
		if h.Case, err = q.planner().GetCase(ctx, &vw.GetCaseRequest{Name: q.name("cases", q.path("case"))}); err != nil {
			return err
		}
		h.Patient, err = q.planner().GetPatient(ctx, &vw.GetPatientRequest{Name: h.Case.GetPatient()})
		return err
	})
	g.Go(func() (err error) {
		h.Named, err = q.catalogues(append(more, caseNames...)...)
		return err
	})
	if err := g.Wait(); err != nil {
		return nil, err
	}
	h.Alerts = alertViews(h.Patient, h.Named)
	return h, nil
}

// title is the name of a page about a case: what it is, which tooth, who.
func (q *ask) titleOf(key string, h *head) string {
	return q.t("case.title-of", q.t(key), q.words.Tooth(h.Case.GetTooth()), q.words.Who(h.Patient))
}

// casePage is one case from the first call to the last review.
type casePage struct {
	*head
	Done string
	// Next says what comes next, the first thing first.
	Next    []next
	Coming  []*vw.Appointment
	Story   []storyDay
	Treats  string
	Plan    *vw.Plan
	Option  *vw.TreatmentOption
	Running *vw.ChairVisit
}

// ShowPlan reports whether the plan still says what is to be done.
func (p *casePage) ShowPlan() bool {
	return p.Option != nil && (p.Case.GetState() <= vw.Case_STATE_IN_TREATMENT || p.Plan.GetAccepted() != nil)
}

// next is one thing that comes next, and where it is done.
type next struct {
	Text, Why, Until string
	Do, Path         string
	Main             bool
}

func (q *ask) casePage() (*page, error) {
	h, err := q.readHead("case")
	if err != nil {
		return nil, err
	}
	p := &casePage{head: h}
	p.Done = q.done("case")
	r := &records{}
	if err := q.readRecords(h.Case, r); err != nil {
		return nil, err
	}
	p.Coming, _ = q.split(r.appointments)
	if len(r.plans) > 0 {
		p.Plan = r.plans[0]
		p.Option = optionOf(p.Plan, cmp.Or(p.Plan.GetAccepted().GetOption(), p.Plan.GetRecommendedOption()))
	}
	for _, v := range r.visits {
		if v.GetPhase() != vw.ChairVisit_PHASE_ENDED {
			p.Running = v
		}
	}
	for _, c := range r.clinicians {
		if c.GetName() == h.Case.GetClinician() {
			p.Treats = c.GetTitle()
		}
	}
	p.Story = q.story(h, r)
	p.Next = q.whatIsNext(p, r)
	return &page{name: "case", title: q.titleOf("case.title", h), section: "patients", data: p}, nil
}

// records are everything that is kept of a case.
type records struct {
	appointments []*vw.Appointment
	visits       []*vw.ChairVisit
	plans        []*vw.Plan
	assessments  []*vw.Assessment
	due          []*vw.FollowUp
	events       []*vw.CareEvent
	clinicians   []*vw.Clinician
}

// mostKept is how many entries of each kind a page of a case shows.
const mostKept = 40

func (q *ask) readRecords(c *vw.Case, r *records) error {
	g, ctx := errgroup.WithContext(q)
	g.Go(func() error {
		// A case may last for years: one call reads at most 399 days.
		for _, days := range []*vw.DateRange{q.around(980, -591), q.around(590, -201), q.around(200, 198)} {
			if q.words.ISODate(days.GetLastDate()) < q.words.ISODate(q.words.DayOf(c.GetCreateTime())) {
				continue
			}
			reply, err := q.diary().ListAppointments(ctx, &vw.ListAppointmentsRequest{Parent: q.practice, Days: days, Case: c.GetName(), AllStates: true, PageSize: mostKept})
			if err != nil {
				return err
			}
			r.appointments = append(r.appointments, reply.GetAppointments()...)
		}
		return nil
	})
	g.Go(func() error {
		reply, err := q.chair().ListVisits(ctx, &vw.ListVisitsRequest{Parent: c.GetName(), PageSize: mostKept})
		r.visits = reply.GetVisits()
		return err
	})
	g.Go(func() error {
		reply, err := q.planner().ListPlanRevisions(ctx, &vw.ListPlanRevisionsRequest{Parent: c.GetName(), PageSize: mostKept})
		r.plans = reply.GetPlans()
		return err
	})
	g.Go(func() error {
		reply, err := q.planner().ListAssessments(ctx, &vw.ListAssessmentsRequest{Parent: c.GetName(), PageSize: mostKept})
		r.assessments = reply.GetAssessments()
		return err
	})
	g.Go(func() error {
		reply, err := q.followUp().ListFollowUps(ctx, &vw.ListFollowUpsRequest{Parent: q.practice, Case: c.GetName(), PageSize: mostKept})
		r.due = reply.GetFollowUps()
		return err
	})
	g.Go(func() error {
		reply, err := q.followUp().ListCareEvents(ctx, &vw.ListCareEventsRequest{Parent: c.GetName(), PageSize: mostKept})
		r.events = reply.GetEvents()
		return err
	})
	g.Go(func() (err error) {
		r.clinicians, err = q.clinicians()
		return err
	})
	return g.Wait()
}

func optionOf(p *vw.Plan, id string) *vw.TreatmentOption {
	for _, o := range p.GetOptions() {
		if o.GetId() == id && id != "" {
			return o
		}
	}
	return nil
}

// whatIsNext says what comes next for this case, the most pressing first, and
// where whoever is signed in does it.
func (q *ask) whatIsNext(p *casePage, r *records) []next {
	c := p.Case
	at := "/cases/" + lastPart(c.GetName())
	if p.Closed() {
		return nil
	}
	var out []next
	if p.Running != nil {
		n := next{Text: q.t("case.next-running", p.Running.GetTitle()), Do: q.t("case.do-chair"), Path: at + "/chair", Main: true}
		if a := p.Running.GetAppointment(); !q.is(clinical...) {
			n.Main = false // the chair is not reception's
			if n.Do, n.Path = "", ""; a != "" {
				n.Do, n.Path = q.t("case.do-appointment"), "/appointments/"+lastPart(a)
			}
		}
		out = append(out, n)
	}
	told := map[string]bool{p.Running.GetAppointment(): true}
	for _, f := range r.due {
		n := q.nextDue(f, at)
		if a := q.bookedFor(f, p.Coming); a != nil {
			// What is booked in time needs no further booking.
			told[a.GetName()] = true
			n.Text = q.t("case.next-booked", n.Text, q.words.Local(a.GetPlace().GetStart()), a.GetPlace().GetMinutes())
			n.Do, n.Path, n.Main = q.t("case.do-appointment"), "/appointments/"+lastPart(a.GetName()), false
		}
		out = append(out, n)
	}
	for _, a := range p.Coming {
		if told[a.GetName()] {
			continue
		}
		out = append(out, next{Text: q.t("case.next-appointment", q.words.Local(a.GetPlace().GetStart()), a.GetPlace().GetMinutes()),
			Why: q.words.AppointmentState(a), Do: q.t("case.do-appointment"), Path: "/appointments/" + lastPart(a.GetName())})
	}
	switch {
	case c.GetTooth().GetIso() == "":
		out = append(out, next{Text: q.t("case.next-tooth"), Do: q.t("case.do-edit"), Path: at + "/edit", Main: true})
	case c.GetState() == vw.Case_STATE_REFERRED:
		n := next{Text: q.t("case.next-assess"), Do: q.t("case.do-assess"), Path: at + "/assess", Main: q.is(clinical...)}
		out = append(out, n)
		if len(p.Coming) == 0 {
			out = append(out, next{Text: q.t("case.next-consultation"), Do: q.t("case.do-book"), Path: at + "/book", Main: !n.Main})
		}
	case c.GetState() == vw.Case_STATE_ASSESSED && p.Plan == nil:
		out = append(out, next{Text: q.t("case.next-options"), Do: q.t("case.do-options"), Path: at + "/options", Main: true})
	case p.Plan != nil && p.Plan.GetAccepted() == nil && c.GetState() <= vw.Case_STATE_IN_TREATMENT:
		out = append(out, next{Text: q.t("case.next-accept"), Do: q.t("case.do-options"), Path: at + "/options", Main: true})
	case c.GetState() == vw.Case_STATE_PLANNED && !slices.ContainsFunc(p.Coming, func(a *vw.Appointment) bool { return visitOfPlan(a, c.GetName()) }):
		out = append(out, next{Text: q.t("case.next-book"), Do: q.t("case.do-book"), Path: at + "/book", Main: true})
	}
	if p.Plan.GetAccepted() != nil && p.Plan.GetAccepted().GetConsent() == nil && c.GetState() <= vw.Case_STATE_IN_TREATMENT {
		out = append(out, next{Text: q.t("case.next-consent"), Do: q.t("case.do-options"), Path: at + "/options"})
	}
	return out
}

func (q *ask) nextDue(f *vw.FollowUp, at string) next {
	n := next{Text: q.t("case.next-due", q.words.Due(f.GetKind())), Why: f.GetReason()}
	if f.GetReplan() != "" {
		n.Why = f.GetReplan()
	}
	if f.GetLatestDate().GetDay() != 0 {
		n.Until = q.t("case.next-until", q.words.Date(f.GetLatestDate()), q.words.Near(f.GetLatestDate()))
	}
	switch f.GetKind() {
	case "review":
		if n.Do, n.Path = q.t("case.do-book"), at+"/book"; q.is(clinicians...) {
			n.Do, n.Path = q.t("case.do-review"), at+"/review"
		}
	case "return-visit", "core", "booking":
		n.Do, n.Path = q.t("case.do-book"), at+"/book"
	case "re-assessment":
		n.Do, n.Path = q.t("case.do-assess"), at+"/assess"
	default:
		n.Do, n.Path = q.t("case.do-due"), "/due?"+url.Values{"case": {lastPart(f.GetCase())}}.Encode()
	}
	n.Main = q.words.before(f.GetActDate()) || q.words.ISODate(f.GetActDate()) == q.words.ISODate(q.words.Today())
	return n
}

// Head is the case's head, for the part that shows it.
func (h *head) Head() *head { return h }

// Due names a kind of follow-up; Urgency and Party what a referral says.
func (w *words) Due(kind string) string { return w.Enum("due.kind", shortened(kind)) }
func (w *words) Urgency(u vw.Referral_Urgency) string {
	return w.Enum("case.urgency", short(u, "URGENCY_"))
}
func (w *words) Party(p vw.Party) string { return w.Enum("case.party", short(p, "PARTY_")) }

// bookedFor is the appointment that answers a follow-up in time; nil when none
// does, or when it is nothing that a visit here answers.
func (q *ask) bookedFor(f *vw.FollowUp, coming []*vw.Appointment) *vw.Appointment {
	if f.GetKind() != "return-visit" && f.GetKind() != "review" && f.GetKind() != "core" {
		return nil
	}
	for _, a := range coming {
		day := q.words.ISODate(a.GetPlace().GetStart().GetDate())
		if latest := q.words.ISODate(f.GetLatestDate()); latest == "" || day <= latest {
			return a
		}
	}
	return nil
}
