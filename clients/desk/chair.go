package desk

import (
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"unicode"

	"golang.org/x/sync/errgroup"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

var chairRoutes = []route{
	{"GET /cases/{case}/chair", clinical, (*ask).chairPage},
	{"POST /cases/{case}/chair", clinical, (*ask).beginVisit},
	{"GET /cases/{case}/chair/{visit}", clinical, (*ask).visitPage},
	{"POST /cases/{case}/chair/{visit}/{do}", clinical, (*ask).markVisit},
	{"POST /cases/{case}/chair/{visit}/close", clinical, (*ask).closeVisit},
	{"GET /cases/{case}/chair/{visit}/stop", clinicians, (*ask).stopTreatmentPage},
	{"POST /cases/{case}/chair/{visit}/stop", clinicians, (*ask).stopTreatment},
	{"GET /cases/{case}/chair/{visit}/plan", clinical, (*ask).replanPage},
	{"POST /cases/{case}/chair/{visit}/plan", clinical, (*ask).replan},
}

// chairPage leads to the visit that runs, or begins one.
func (q *ask) chairPage() (*page, error) {
	visits, err := q.visitsOf()
	if err != nil {
		return nil, err
	}
	if len(visits) > 0 && visits[0].GetPhase() != vw.ChairVisit_PHASE_ENDED {
		return goTo("/cases/" + q.path("case") + "/chair/" + lastPart(visits[0].GetName())), nil
	}
	return q.showBegin(newForm(url.Values{}), 0)
}

func (q *ask) visitsOf() ([]*vw.ChairVisit, error) {
	reply, err := q.chair().ListVisits(q, &vw.ListVisitsRequest{Parent: q.name("cases", q.path("case")), PageSize: 20})
	return reply.GetVisits(), err
}

// How the second identifier is compared.
const (
	secondBirthYear = "birth-year" // typed, after asking the patient
	secondGuardian  = "guardian"   // typed, after asking who came along
	secondAloud     = "aloud"      // nothing on record: reference and full name, aloud
)

// beginPage is what stands between a patient who has sat down and the first
// step: who it is, which tooth, every alert. It never shows what the second
// identifier is compared with.
type beginPage struct {
	*head
	Form   *form
	Second string
	Past   []*vw.ChairVisit
	// Places are today's appointments of the case.
	Places []option
	NoPlan bool
	// Unagreed says that the newest plan waits for its acceptance or for the
	// patient's consent: a caution, since relief of pain may come first.
	Unagreed string
	Call     *occasionView // what the patient said on the telephone, when they come from an urgent call
}

func (q *ask) showBegin(f *form, status int) (*page, error) {
	h, err := q.readHead("chair")
	if err != nil {
		return nil, err
	}
	p := &beginPage{head: h, Form: f, Second: secondOf(h.Patient), NoPlan: h.Case.GetLatestPlan() == ""}
	g, ctx := errgroup.WithContext(q)
	g.Go(func() (err error) {
		p.Past, err = q.visitsOf()
		return err
	})
	g.Go(func() error {
		if p.NoPlan {
			return nil
		}
		plan, err := q.planner().GetPlan(ctx, &vw.GetPlanRequest{Name: h.Case.GetLatestPlan()})
		switch {
		case err != nil:
			return err
		case plan.GetAccepted() == nil:
			p.Unagreed = q.t("chair.begin-not-accepted")
		case plan.GetAccepted().GetConsent() == nil:
			p.Unagreed = q.t("chair.begin-not-consented")
		}
		return nil
	})
	g.Go(func() error {
		reply, err := q.diary().ListAppointments(ctx, &vw.ListAppointmentsRequest{Parent: q.practice, Days: q.around(0, 0), Patient: h.Case.GetPatient(), PageSize: mostKept})
		if err != nil {
			return err
		}
		for _, a := range reply.GetAppointments() {
			if !slices.Contains(a.GetCases(), h.Case.GetName()) {
				continue // an urgent call is booked before there is a case
			}
			p.Places = append(p.Places, option{Value: lastPart(a.GetName()),
				Text: q.t("chair.place", q.words.Clock(a.GetPlace().GetStart().GetTime()), q.words.Min(a.GetPlace().GetMinutes()), q.words.AppointmentState(a))})
		}
		p.Call, err = q.occasionView(callOf(reply.GetAppointments()))
		return err
	})
	if err := g.Wait(); err != nil {
		return nil, err
	}
	if len(p.Places) > 0 {
		if !q.posted() {
			f.Set("appointment", p.Places[0].Value)
		}
		p.Places = append(p.Places, option{Text: q.t("chair.no-place")})
	}
	return &page{name: "chair-begin", title: q.titleOf("chair.begin-title", h), section: "patients", data: p, status: status}, nil
}

// secondOf is how the patient of a record can be told from another.
func secondOf(p *vw.Patient) string {
	switch {
	case p.GetBirthYear() != 0:
		return secondBirthYear
	case p.GetGuardian().GetLabel() != "":
		return secondGuardian
	}
	return secondAloud
}

// Kinds are the alerts as values of a form.
func (p *beginPage) Kind(i int) string { return strconv.Itoa(i) }

func (q *ask) beginVisit() (*page, error) {
	f := q.typed()
	h, err := q.readHead("chair")
	if err != nil {
		return nil, err
	}
	q.compareSecond(f, h.Patient)
	if !f.On("tooth_named") {
		f.wrong("tooth_named", q.t("chair.tooth-not-named"))
	}
	for i := range h.Alerts {
		if !f.On("alert." + strconv.Itoa(i)) {
			f.wrong("alert."+strconv.Itoa(i), q.t("chair.alert-not-confirmed"))
		}
	}
	if !f.On("history") {
		f.wrong("history", q.t("chair.history-not-asked"))
	}
	request := &vw.BeginVisitRequest{Parent: h.Case.GetName(), IdentityConfirmed: true, AlertsConfirmed: true, RequestId: f.RequestID}
	if m := f.whole(q, "minutes", 1, 960); m != nil {
		request.AppointmentMinutes = *m
	}
	if id := f.Get("appointment"); id != "" {
		request.Appointment = q.name("appointments", id)
	}
	if f.ok() {
		visit, err := q.chair().BeginVisit(q, request)
		switch {
		case err == nil:
			q.carryOver(visit, vw.Appointment_STATE_IN_CHAIR)
			return goTo("/cases/" + q.path("case") + "/chair/" + lastPart(visit.GetName())), nil
		case reasonOf(err) == "VISIT_RUNNING":
			return goTo("/cases/" + q.path("case") + "/chair"), nil
		case !f.refused(err, map[string]string{"appointment_minutes": "minutes", "appointment": "appointment", "identity_confirmed": "second", "alerts_confirmed": "history"}):
			return nil, err
		}
	}
	return q.showBegin(f, http.StatusUnprocessableEntity)
}

// compareSecond compares what was typed with the record. The record is never
// shown, and a mismatch is not told apart from a slip.
func (q *ask) compareSecond(f *form, p *vw.Patient) {
	typed := f.Get("second")
	switch secondOf(p) {
	case secondBirthYear:
		if typed == "" {
			f.wrong("second", q.t("chair.second-missing"))
		} else if year, err := strconv.Atoi(typed); err != nil || int32(year) != p.GetBirthYear() || len(typed) != 4 { //nolint:gosec // four digits fit
			f.wrong("second", q.t("chair.second-differs"))
		}
	case secondGuardian:
		if typed == "" {
			f.wrong("second", q.t("chair.second-missing"))
		} else if plainName(typed) != plainName(p.GetGuardian().GetLabel()) {
			f.wrong("second", q.t("chair.second-differs"))
		}
	default:
		if !f.On("second") {
			f.wrong("second", q.t("chair.second-aloud-missing"))
		}
	}
}

// plainName is a name without case, spaces and marks, for comparison.
func plainName(name string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsLetter(r) {
			return unicode.ToLower(r)
		}
		return -1
	}, name)
}

// carryOver carries a visit over to the diary. The diary may say otherwise (the
// appointment ended, or stands so already): the visit does not hang on it.
func (q *ask) carryOver(v *vw.ChairVisit, state vw.Appointment_State) {
	if v.GetAppointment() == "" {
		return
	}
	a, err := q.diary().GetAppointment(q, &vw.GetAppointmentRequest{Name: v.GetAppointment()})
	if err != nil || a.GetState() == state {
		return
	}
	_, _ = q.diary().RecordAttendance(q, &vw.RecordAttendanceRequest{Name: a.GetName(), Etag: a.GetEtag(), State: state})
}

// visitName is the resource name of the visit in the address.
func (q *ask) visitName() (string, error) {
	n, err := strconv.Atoi(q.path("visit"))
	if err != nil || n < 1 || n > 99999999 {
		return "", errNoPage
	}
	return fmt.Sprintf("%s/visits/%d", q.name("cases", q.path("case")), n), nil
}

// chairHead is what stands above every page of a visit.
type chairHead struct {
	*head
	Visit *vw.ChairVisit
	// At is the address of the visit.
	At string
	// View is the part of the visit that is shown.
	View string
}

// chairNames are the catalogues of a running visit.
var chairNames = []string{"chair-events", "canal-states", "medicaments", "temporaries", "stops"}

func (q *ask) readChair(view string) (*chairHead, error) {
	name, err := q.visitName()
	if err != nil {
		return nil, err
	}
	h := &chairHead{At: "/cases/" + q.path("case") + "/chair/" + q.path("visit"), View: view}
	var g errgroup.Group
	g.Go(func() (err error) {
		h.head, err = q.readHead("chair", chairNames...)
		return err
	})
	g.Go(func() (err error) {
		h.Visit, err = q.chair().GetVisit(q, &vw.GetVisitRequest{Name: name})
		return err
	})
	if err := g.Wait(); err != nil {
		return nil, err
	}
	return h, nil
}

// Ended reports whether the visit is over.
func (h *chairHead) Ended() bool { return h.Visit.GetPhase() == vw.ChairVisit_PHASE_ENDED }

// Paused reports whether the work rests.
func (h *chairHead) Paused() bool { return h.Visit.GetPhase() == vw.ChairVisit_PHASE_PAUSED }

// Chair is the head, for the part that shows it.
func (h *chairHead) Chair() *chairHead { return h }

// Over is how many minutes the appointment's end is past; 0 before.
func (h *chairHead) Over() float64 { return max(0, -h.Visit.GetAnswer().GetLeftMinutes()) }

// longestOverrun is how many minutes past its end a visit that nobody closed
// still counts as somebody at the chair.
const longestOverrun = 60

// Attended reports whether somebody is at the chair: the page then does not
// lock although nobody touches it.
func (h *chairHead) Attended() bool {
	return !h.Ended() && h.Visit.GetAnswer() != nil && h.Visit.GetAnswer().GetLeftMinutes() > -longestOverrun
}
