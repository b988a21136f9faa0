package desk

import (
	"cmp"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strings"

	"golang.org/x/sync/errgroup"
	"google.golang.org/genproto/googleapis/type/date"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

var patientRoutes = []route{
	{"GET /patients", careTeam, (*ask).patientsPage},
	{"GET /patients/new", careTeam, (*ask).newPatientPage},
	{"POST /patients/new", careTeam, (*ask).makePatient},
	{"GET /patients/{patient}", careTeam, (*ask).patientPage},
	{"GET /patients/{patient}/edit", careTeam, (*ask).editPatientPage},
	{"POST /patients/{patient}/edit", careTeam, (*ask).changePatient},
	{"POST /patients/{patient}/wishes", careTeam, (*ask).setWishes},
}

// mostFound is how many patients one page shows, and of how many it shows the
// teeth as well.
const mostFound = 25

// patientsPage finds patients.
type patientsPage struct {
	Query string
	Found []foundPatient
	// More are patients that the page has no room for.
	More bool
	// Next leads to the next page of the whole list.
	Next  string
	Named map[string]entries
}

type foundPatient struct {
	*vw.Patient
	Cases []*vw.Case
	// Unbooked are those with an accepted plan of which nothing is booked.
	Unbooked []*vw.Case
}

func (q *ask) patientsPage() (*page, error) {
	p := &patientsPage{Query: strings.TrimSpace(q.form.Get("q"))}
	var found []*vw.Patient
	var err error
	if p.Query == "" {
		var reply *vw.ListPatientsResponse
		reply, err = q.planner().ListPatients(q, &vw.ListPatientsRequest{Parent: q.practice, PageSize: mostFound, PageToken: q.form.Get("after")})
		found = reply.GetPatients()
		if next := reply.GetNextPageToken(); next != "" {
			p.Next = "/patients?" + url.Values{"after": {next}}.Encode()
		}
	} else {
		found, err = q.findPatients(p.Query)
	}
	if err != nil {
		return nil, err
	}
	if p.More = len(found) > mostFound; p.More {
		found = found[:mostFound]
	}
	if p.Named, err = q.catalogues("pulpal-diagnoses", "apical-diagnoses", "closing-reasons"); err != nil {
		return nil, err
	}
	p.Found = make([]foundPatient, len(found))
	g, ctx := errgroup.WithContext(q)
	g.SetLimit(8)
	for i, patient := range found {
		p.Found[i].Patient = patient
		g.Go(func() error {
			reply, err := q.planner().ListCases(ctx, &vw.ListCasesRequest{Parent: q.practice, PageSize: 40, Filter: &vw.CaseFilter{Patient: patient.GetName()}})
			if err != nil {
				return err
			}
			p.Found[i].Cases = reply.GetCases()
			var planned []*vw.Case
			for _, c := range reply.GetCases() {
				if c.GetState() == vw.Case_STATE_PLANNED {
					planned = append(planned, c)
				}
			}
			some, err := q.anyBooked(planned)
			for j, c := range planned {
				if err == nil && !some[j] {
					p.Found[i].Unbooked = append(p.Found[i].Unbooked, c)
				}
			}
			return err
		})
	}
	if err := g.Wait(); err != nil {
		return nil, err
	}
	return &page{name: "patients", title: q.t("patients.title"), section: "patients", data: p}, nil
}

var (
	asReference = regexp.MustCompile(`^[A-Za-z0-9][A-Za-z0-9._/-]{0,63}$`)
	asPhone     = regexp.MustCompile(`^[+0-9 ()/.-]{6,40}$`)
	asLabel     = regexp.MustCompile(`\p{L}`)
)

// findPatients looks for the text as the beginning of a reference, as words of
// a label and as a telephone number, whichever it can be.
func (q *ask) findPatients(text string) ([]*vw.Patient, error) {
	var filters []*vw.PatientFilter
	if asReference.MatchString(text) {
		filters = append(filters, &vw.PatientFilter{Reference: text})
	}
	if asLabel.MatchString(text) && len(text) <= 120 {
		filters = append(filters, &vw.PatientFilter{Label: text})
	}
	if asPhone.MatchString(text) {
		filters = append(filters, &vw.PatientFilter{Phone: text})
	}
	replies := make([][]*vw.Patient, len(filters))
	g, ctx := errgroup.WithContext(q)
	for i, f := range filters {
		g.Go(func() error {
			reply, err := q.planner().ListPatients(ctx, &vw.ListPatientsRequest{Parent: q.practice, PageSize: mostFound + 1, Filter: f})
			if err != nil && reasonOf(err) == "INVALID_FIELD" {
				return nil // the text cannot be a word or a number of this kind
			}
			replies[i] = reply.GetPatients()
			return err
		})
	}
	if err := g.Wait(); err != nil {
		return nil, err
	}
	var out []*vw.Patient
	for _, p := range slices.Concat(replies...) {
		if !slices.ContainsFunc(out, func(o *vw.Patient) bool { return o.GetName() == p.GetName() }) {
			out = append(out, p)
		}
	}
	// Whoever was meant exactly comes first.
	slices.SortStableFunc(out, func(a, b *vw.Patient) int {
		return cmp.Compare(notExactly(a, text), notExactly(b, text))
	})
	return out, nil
}

func notExactly(p *vw.Patient, text string) int {
	if strings.EqualFold(p.GetReference(), text) {
		return 0
	}
	return 1
}

// patientPage shows one patient with all teeth.
type patientPage struct {
	*vw.Patient
	Alerts   []alertView
	Cases    []*vw.Case
	Coming   []*vw.Appointment
	Past     []*vw.Appointment
	Messages []*vw.Message
	Wishes   *vw.ContactWishes
	Form     *form
	Named    map[string]entries
	Done     string
}

// alertView is an alert with what it does.
type alertView struct {
	*vw.Alert
	Title, Detail, Effect string
}

// patientNames are the catalogues that a patient's page names things by.
var patientNames = []string{"alerts", "alert-details", "pulpal-diagnoses", "apical-diagnoses", "closing-reasons", "protocols"}

func (q *ask) patientPage() (*page, error) {
	return q.showPatient(nil, 0)
}

// around are the days of which a page shows appointments.
func (q *ask) around(back, ahead int) *vw.DateRange {
	return &vw.DateRange{FirstDate: dateOf(q.words.now.AddDate(0, 0, -back)), LastDate: dateOf(q.words.now.AddDate(0, 0, ahead))}
}

func (q *ask) showPatient(wishes *form, status int) (*page, error) {
	name := q.name("patients", q.path("patient"))
	p := &patientPage{Form: wishes}
	p.Done = q.done("patient")
	g, ctx := errgroup.WithContext(q)
	g.Go(func() (err error) {
		p.Patient, err = q.planner().GetPatient(ctx, &vw.GetPatientRequest{Name: name})
		return err
	})
	g.Go(func() error {
		reply, err := q.planner().ListCases(ctx, &vw.ListCasesRequest{Parent: q.practice, PageSize: 200, Filter: &vw.CaseFilter{Patient: name}})
		p.Cases = reply.GetCases()
		return err
	})
	g.Go(func() error {
		reply, err := q.diary().ListAppointments(ctx, &vw.ListAppointmentsRequest{Parent: q.practice, Days: q.around(180, 218), Patient: name, AllStates: true, PageSize: 200})
		p.Coming, p.Past = q.split(reply.GetAppointments())
		return err
	})
	g.Go(func() error {
		reply, err := q.followUp().ListMessages(ctx, &vw.ListMessagesRequest{Parent: q.practice, Patient: name, PageSize: 8})
		p.Messages = reply.GetMessages()
		return err
	})
	g.Go(func() (err error) {
		p.Wishes, err = q.followUp().GetContactWishes(ctx, &vw.GetContactWishesRequest{Patient: name})
		return err
	})
	g.Go(func() (err error) {
		p.Named, err = q.catalogues(patientNames...)
		return err
	})
	if err := g.Wait(); err != nil {
		return nil, err
	}
	p.Alerts = alertViews(p.Patient, p.Named)
	if p.Form == nil {
		p.Form = newForm(url.Values{"channel": {cmp.Or(p.Wishes.GetChannel(), "none")}, "language": {p.Wishes.GetLanguage()},
			"consent_date": {q.words.ISODate(p.Wishes.GetConsentDate())}})
		if p.Wishes.GetOptedOut() {
			p.Form.Set("opted_out", "yes")
		}
	}
	return &page{name: "patient", title: q.words.Who(p.Patient), section: "patients", data: p, status: status}, nil
}

// split parts appointments into those that come, the next first, and those
// behind, the latest first.
func (q *ask) split(all []*vw.Appointment) (coming, past []*vw.Appointment) {
	today := q.words.ISODate(q.words.Today())
	for _, a := range all {
		held := a.GetState() <= vw.Appointment_STATE_IN_CHAIR
		if day := q.words.ISODate(a.GetPlace().GetStart().GetDate()); day >= today && held {
			coming = append(coming, a)
		} else {
			past = append([]*vw.Appointment{a}, past...)
		}
	}
	return coming, past
}

// AppointmentState is where an appointment stands, in words.
func (w *words) AppointmentState(a *vw.Appointment) string {
	if letGo(a) {
		return w.T("visit.state-let-go")
	}
	return w.Enum("visit.state", shortened(stateWord(a)))
}

func alertViews(p *vw.Patient, named map[string]entries) []alertView {
	var out []alertView
	for _, a := range p.GetAlerts() {
		v := alertView{Alert: a, Title: named["alerts"].Title(a.GetKind()), Effect: named["alerts"].Explain(a.GetKind())}
		if a.GetDetail() != "" {
			v.Detail = named["alert-details"].Title(a.GetDetail())
		}
		out = append(out, v)
	}
	return out
}

// Channels are the ways in which a patient may be written to.
func (w *words) Channels() []option {
	var out []option
	for _, c := range []string{"none", "email", "text"} {
		out = append(out, option{Value: c, Text: w.T("patient.channel-" + c)})
	}
	return out
}

func (q *ask) setWishes() (*page, error) {
	f := q.typed()
	wishes := &vw.ContactWishes{Patient: q.name("patients", q.path("patient")), Channel: f.chosen(q, "channel", q.words.Channels()), OptedOut: f.On("opted_out"),
		Language: f.Get("language"), ConsentDate: f.day(q, "consent_date")}
	if wishes.GetChannel() == "" {
		f.wrong("channel", q.t("form.choice-wrong"))
	}
	if wishes.GetChannel() != "none" && wishes.GetConsentDate() == nil {
		f.wrong("consent_date", q.t("patient.consent-date-needed"))
	}
	if f.ok() {
		_, err := q.followUp().SetContactWishes(q, &vw.SetContactWishesRequest{Wishes: wishes, RequestId: f.RequestID})
		if err == nil {
			return goTo("/patients/" + q.path("patient") + "?done=wishes#wishes"), nil
		}
		if !f.refused(err, map[string]string{"wishes.channel": "channel", "wishes.language": "language", "wishes.consent_date": "consent_date"}) {
			return nil, err
		}
	}
	return q.showPatient(f, http.StatusUnprocessableEntity)
}

// before reports whether a day lies before today.
func (w *words) before(d *date.Date) bool {
	return d.GetDay() != 0 && w.ISODate(d) < w.ISODate(w.Today())
}

// MessageKind names a kind of message, MessageState where it stands.
func (w *words) MessageKind(id string) string  { return w.Enum("messages.kind", shortened(id)) }
func (w *words) MessageState(id string) string { return w.Enum("messages.is", shortened(id)) }
