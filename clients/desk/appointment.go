package desk

import (
	"net/http"
	"net/url"

	"golang.org/x/sync/errgroup"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

var appointmentRoutes = []route{
	{"GET /appointments/{appointment}", careTeam, (*ask).appointmentPage},
	{"POST /appointments/{appointment}/attend", careTeam, (*ask).attend},
	{"POST /appointments/{appointment}/cancel", careTeam, (*ask).cancelAppointment},
	{"GET /appointments/{appointment}/calendar", careTeam, (*ask).calendarFile},
	{"GET /bookings/{booking}/calendar", careTeam, (*ask).calendarFile},
	{"GET /appointments/{appointment}/move", careTeam, (*ask).movePage},
	{"POST /appointments/{appointment}/move", careTeam, (*ask).move},
	{"GET /appointments/{appointment}/mend", careTeam, (*ask).mendPage},
	{"POST /appointments/{appointment}/mend", careTeam, (*ask).mend},
}

// appointmentPage is all about one appointment.
type appointmentPage struct {
	oneEach
	*bookedLine
	Form    *form
	Cancel  *form
	Who     string
	Phone   string
	Patient string
	Teeth   []toothLink
	Held    []heldLine
	// May says which steps can be taken now.
	May struct{ Arrive, Sit, Leave, Miss, Back, Move, Cancel, Begin, Seat bool }
	// Left is how long a provisional one is kept.
	Left, Until string
	Release     string
	Arrived     string
	Sat         string
	Gone        string
	Outlook     *vw.LateOutlook
	Conflicts   []conflictLine
	Override    string
	Reason      string
	Reasons     []option
	Running     *running
	External    string
	Matches     []*matchView
	// Freed is set when the place is free again and somebody could have it.
	Freed   bool
	Fits    *fitView // what a newer plan says of it
	Booking string
	Call    *occasionView // what an urgent caller said
}

type toothLink struct{ Text, Path string }

type heldLine struct{ Title, From, To string }

type conflictLine struct{ ID, When, With, Who string }

func (q *ask) appointment() (*vw.Appointment, error) {
	return q.diary().GetAppointment(q, &vw.GetAppointmentRequest{Name: q.name("appointments", q.path("appointment"))})
}

func (q *ask) appointmentPage() (*page, error) {
	// Who comes to take it back finds that open.
	return q.appointmentShow(newForm(nil), newForm(url.Values{"cancel": q.form["cancel"]}), nil)
}

func (q *ask) appointmentShow(f, cancel *form, outlook *vw.LateOutlook) (*page, error) {
	a, err := q.appointment()
	if err != nil {
		return nil, err
	}
	p := &appointmentPage{Form: f, Cancel: cancel, Outlook: outlook, Patient: lastPart(a.GetPatient()), Booking: lastPart(a.GetBooking())}
	var h *house
	var who *who
	conflicts := make([]*vw.Appointment, len(a.GetConflicts()))
	g := errgroup.Group{}
	g.SetLimit(mostAtOnce)
	g.Go(func() (err error) { h, err = q.house(); return err })
	g.Go(func() (err error) { who, err = q.whoIs([]*vw.Appointment{a}); return err })
	g.Go(func() (err error) { p.Reasons, err = q.changeReasons(); return err })
	g.Go(func() (err error) { p.Call, err = q.occasionView(a.GetOccasion()); return err })
	for i, name := range a.GetConflicts() {
		g.Go(func() (err error) {
			conflicts[i], err = q.diary().GetAppointment(q, &vw.GetAppointmentRequest{Name: name})
			return err
		})
	}
	if err := g.Wait(); err != nil {
		return nil, err
	}
	p.bookedLine, p.Who, p.Phone = q.bookedLine(h, a), who.Patient(a.GetPatient()), who.Phone(a.GetPatient())
	for i, c := range a.GetCases() {
		text := q.words.Tooth(who.cases[c].GetTooth())
		if i < len(a.GetParts()) {
			text = q.t("appointment.tooth-visit", text, a.GetParts()[i].GetVisit())
		}
		p.Teeth = append(p.Teeth, toothLink{text, "/cases/" + lastPart(c)})
	}
	start := startMinute(a.GetPlace())
	for _, hold := range a.GetPlace().GetHolds() {
		p.Held = append(p.Held, heldLine{h.Title(hold.GetResource()), clockAt(start + int(hold.GetFromMinute())), clockAt(start + int(hold.GetToMinute()))})
	}
	if err := q.conflictLines(p, h, conflicts); err != nil {
		return nil, err
	}
	q.appointmentTimes(p, a, h)
	q.steps(p, a)
	if len(a.GetCases()) > 0 && a.GetState() == vw.Appointment_STATE_IN_CHAIR {
		in := &dayInputs{appointments: []*vw.Appointment{a}, running: map[string]*vw.ChairVisit{}}
		if err := q.readRunning(in); err != nil {
			return nil, err
		}
		p.Running = q.runningWords(in, a)
	}
	if ahead(a) && len(a.GetParts()) > 0 {
		if p.Fits, err = q.fit(a, who.firstCase(a)); err != nil {
			return nil, err
		}
	}
	if p.Freed = freed(q, a); p.Freed {
		if p.Matches, err = q.matches(h, a.GetPlace()); err != nil {
			return nil, err
		}
	}
	out := &page{name: "appointment", title: q.t("appointment.heading", p.Who), section: "day", data: p}
	if q.posted() && (!f.ok() || !cancel.ok()) {
		out.status = http.StatusUnprocessableEntity
	}
	return out, nil
}

// freed reports whether the place of an appointment is free again, and still
// ahead.
func freed(q *ask, a *vw.Appointment) bool {
	switch a.GetState() {
	case vw.Appointment_STATE_CANCELLED, vw.Appointment_STATE_DID_NOT_ATTEND, vw.Appointment_STATE_RELEASED:
		return a.GetPlace().GetStart().GetInstantTime().AsTime().After(q.now())
	}
	return false
}

func (q *ask) conflictLines(p *appointmentPage, h *house, list []*vw.Appointment) error {
	if len(list) == 0 {
		return nil
	}
	who, err := q.whoIs(list)
	if err != nil {
		return err
	}
	for _, c := range list {
		p.Conflicts = append(p.Conflicts, conflictLine{lastPart(c.GetName()), q.words.Local(c.GetPlace().GetStart()), h.With(c.GetPlace()), who.Patient(c.GetPatient())})
	}
	return nil
}

func (q *ask) appointmentTimes(p *appointmentPage, a *vw.Appointment, h *house) {
	p.Arrived, p.Sat, p.Gone = q.words.When(a.GetArriveTime()), q.words.When(a.GetChairTime()), q.words.When(a.GetLeaveTime())
	if a.GetState() == vw.Appointment_STATE_PROVISIONAL && a.GetExpireTime().IsValid() {
		p.Left, p.Until = q.words.TimeLeft(q.minutesUntil(a.GetExpireTime().AsTime())), q.words.When(a.GetExpireTime())
	}
	if a.GetIfNeeded() && a.GetReleaseTime().IsValid() && ahead(a) {
		p.Release = q.words.When(a.GetReleaseTime())
	}
	if o := a.GetOverride(); o != nil {
		p.Override = q.t("appointment.override", h.Title(o.GetClinician()), o.GetReason())
	}
	if x := a.GetExternal(); x != nil {
		p.External = x.GetSystem()
	}
	for _, r := range p.Reasons {
		if r.Value == a.GetReason() {
			p.Reason = r.Text
		}
	}
}

// calendarFile is an appointment or a booking for a calendar, without patient
// data beyond the reference.
func (q *ask) calendarFile() (*page, error) {
	name := q.name("appointments", q.path("appointment"))
	if id := q.path("booking"); id != "" {
		name = q.name("bookings", id)
	}
	got, err := q.diary().ExportCalendar(q, &vw.ExportCalendarRequest{Name: name})
	if err != nil {
		return nil, err
	}
	return &page{file: &file{kind: got.GetContentType(), name: lastPart(name) + ".ics", body: got.GetCalendar()}}, nil
}

// steps says what can be done with the appointment now. The service decides; a
// step that it would refuse anyway is not offered.
func (q *ask) steps(p *appointmentPage, a *vw.Appointment) {
	if a.GetExternal() != nil && a.GetBooking() == "" {
		return // the other system is its master
	}
	today := q.words.daysBetween(q.words.Today(), a.GetPlace().GetStart().GetDate()) <= 0
	m := &p.May
	switch a.GetState() {
	case vw.Appointment_STATE_PROVISIONAL:
		m.Move, m.Cancel = true, true
	case vw.Appointment_STATE_BOOKED:
		m.Move, m.Cancel = true, true
		m.Arrive, m.Sit, m.Miss = today, today, today
	case vw.Appointment_STATE_ARRIVED:
		m.Sit, m.Cancel, m.Leave, m.Back = true, true, true, true
	case vw.Appointment_STATE_IN_CHAIR:
		m.Leave, m.Arrive = true, false
	case vw.Appointment_STATE_DID_NOT_ATTEND:
		m.Back, m.Arrive = true, true
	}
	m.Begin = q.is(clinical...) && len(a.GetCases()) > 0 && (a.GetState() == vw.Appointment_STATE_ARRIVED || a.GetState() == vw.Appointment_STATE_IN_CHAIR)
}

// changeReasons are why an appointment is moved or cancelled, as choices of a
// field.
func (q *ask) changeReasons() ([]option, error) {
	named, err := q.catalogues("change-reasons")
	return named["change-reasons"].options(""), err
}

// attendStates are the steps by the words of the form.
var attendStates = map[string]vw.Appointment_State{
	"booked": vw.Appointment_STATE_BOOKED, "arrived": vw.Appointment_STATE_ARRIVED, "in-chair": vw.Appointment_STATE_IN_CHAIR,
	"left": vw.Appointment_STATE_LEFT, "did-not-attend": vw.Appointment_STATE_DID_NOT_ATTEND,
}

// attend records that the patient arrived, sat down, left or did not come.
func (q *ask) attend() (*page, error) {
	f := q.typed()
	to, known := attendStates[f.Get("state")]
	if !known {
		return nil, errBadForm
	}
	r := &vw.RecordAttendanceRequest{Name: q.name("appointments", q.path("appointment")), Etag: f.Get("etag"), State: to, RequestId: f.RequestID}
	if text := f.Get("late"); text != "" && to == vw.Appointment_STATE_ARRIVED {
		n, ok := wholeBetween(text, 0, 600)
		if !ok {
			f.wrong("late", q.t("appointment.late-wrong"))
			return q.appointmentShow(f, newForm(nil), nil)
		}
		r.LateMinutes = n
	}
	a, err := q.diary().RecordAttendance(q, r)
	switch {
	case err == nil && a.GetLateOutlook() != nil:
		// What is left of the visit is answered once: it is shown at once.
		return q.appointmentShow(newForm(nil), newForm(nil), a.GetLateOutlook())
	case err == nil:
		return goTo(q.backTo(f, "/appointments/"+q.path("appointment"))), nil
	case behind(err):
		f.Problem = q.t("appointment.changed-meanwhile")
	case !f.refused(err, map[string]string{"late_minutes": "late"}):
		return nil, err
	}
	f.RequestID = newRequestID()
	return q.appointmentShow(f, newForm(nil), nil)
}

// behind reports whether a page shows what has changed meanwhile: by somebody
// else, or by the same form sent from it before.
func behind(err error) bool { return conflict(err) || reasonOf(err) == "REQUEST_ID_REUSED" }

// backTo is the page that the form came from, when it says so; else another.
func (q *ask) backTo(f *form, other string) string {
	if back := f.Get("back"); back != "" && safeBack(back) == back {
		return back
	}
	return other
}

// cancelAppointment cancels with a reason.
func (q *ask) cancelAppointment() (*page, error) {
	f := q.typed()
	if f.Get("reason") == "" {
		f.wrong("reason", q.t("appointment.reason-missing"))
		return q.appointmentShow(newForm(nil), f, nil)
	}
	_, err := q.diary().CancelAppointment(q, &vw.CancelAppointmentRequest{Name: q.name("appointments", q.path("appointment")), Etag: f.Get("etag"), Reason: f.Get("reason"), RequestId: f.RequestID})
	switch {
	case err == nil:
		return goTo("/appointments/" + q.path("appointment")), nil
	case behind(err):
		f.Problem = q.t("appointment.changed-meanwhile")
	case !f.refused(err, map[string]string{"reason": "reason"}):
		return nil, err
	}
	f.RequestID = newRequestID()
	return q.appointmentShow(newForm(nil), f, nil)
}
