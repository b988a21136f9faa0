package desk

import (
	"fmt"
	"net/http"
	"net/url"
	"strconv"

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
		if p.Fits, err = q.fit(a, who.cases[a.GetCases()[0]]); err != nil {
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

// movePage finds another place for an appointment, and shows what the move does
// before it is made.
type movePage struct {
	*bookedLine
	Who     string
	Form    *form
	People  []option
	Rooms   []option
	Reasons []option
	Checked *checkedPlace
	// Repair are the moves that put later visits right, when the move breaks one.
	Repair  []repairLine
	Sealed  string
	Places  []moveChoice
	Days    []option
	Parts   []option
	Minutes int32
}

type repairLine struct{ Text string }

type moveChoice struct {
	*placeView
	Link string
}

func (q *ask) movePage() (*page, error) { return q.moveShow(newForm(q.form)) }

func (q *ask) moveShow(f *form) (*page, error) {
	a, err := q.appointment()
	if err != nil {
		return nil, err
	}
	p := &movePage{Form: f, Minutes: a.GetPlace().GetMinutes(), Days: q.weekdayOptions(), Parts: q.partOptions()}
	var h *house
	var who *who
	g := errgroup.Group{}
	g.Go(func() (err error) { h, err = q.house(); return err })
	g.Go(func() (err error) { who, err = q.whoIs([]*vw.Appointment{a}); return err })
	g.Go(func() (err error) { p.Reasons, err = q.changeReasons(); return err })
	if err := g.Wait(); err != nil {
		return nil, err
	}
	p.bookedLine, p.Who = q.bookedLine(h, a), who.Patient(a.GetPatient())
	p.People, p.Rooms = h.clinicianOptions(q.t("booking.whoever")), resourceOptions(h.Rooms, q.t("booking.any-room"))
	if f.Get("minutes") == "" {
		f.Set("minutes", strconv.Itoa(int(p.Minutes)))
	}
	if f.Get("why") == "" {
		f.Set("why", "patient-asked")
	}
	if !q.posted() && f.Get("date") == "" && f.Get("at") == "" {
		if err := q.movePlaces(p, h, a); err != nil {
			return nil, err
		}
	} else if f.Problem == "" {
		if err := q.moveCheck(p, h, a); err != nil {
			return nil, err
		}
	}
	out := &page{name: "move", title: q.t("appointment.move-heading", p.Who), section: "day", data: p}
	if !f.ok() || q.posted() {
		out.status = http.StatusUnprocessableEntity
	}
	return out, nil
}

// movePlaces looks for other places for the same visit.
func (q *ask) movePlaces(p *movePage, h *house, a *vw.Appointment) error {
	v := &vw.VisitToPlace{Parts: a.GetParts()}
	if len(a.GetParts()) == 0 {
		v.Unplanned = &vw.UnplannedVisit{Protocol: a.GetProtocol(), Minutes: a.GetPlace().GetMinutes()}
		if len(a.GetCases()) > 0 {
			v.Unplanned.Case = a.GetCases()[0]
		}
	} else {
		v.Minutes = &a.GetPlace().Minutes
	}
	if a.GetProtocol() == "" && len(a.GetParts()) == 0 {
		p.Form.Problem = q.t("appointment.elsewhere-master")
		return nil
	}
	wishes := q.wishes(p.Form)
	if wishes.OtherDays = true; !p.Form.ok() {
		return nil
	}
	got, err := q.diary().FindOffers(q, &vw.FindOffersRequest{Parent: q.practice, Patient: a.GetPatient(), Visits: []*vw.VisitToPlace{v}, Wishes: wishes, MostOffers: mostOffers})
	if err != nil {
		if p.Form.refused(err, nil) {
			return nil
		}
		return err
	}
	for _, o := range got.GetOffers() {
		place := o.GetPlaces()[0].GetPlace()
		values := url.Values{"date": {q.words.ISODate(place.GetStart().GetDate())}, "at": {q.words.Clock(place.GetStart().GetTime())}, "minutes": {fmt.Sprint(place.GetMinutes())},
			"clinician": {lastPart(clinicianOf(place))}, "room": {lastPart(h.roomOf(place))}}
		p.Places = append(p.Places, moveChoice{q.placeView(h, o.GetPlaces()[0]), "/appointments/" + p.ID + "/move" + addressWith("", values)})
	}
	return nil
}

// moveFields says where the fields of a move stand in the form.
var moveFields = map[string]string{
	"place.start": "at", "place.start.date": "date", "place.start.time": "at", "place.minutes": "minutes", "place.holds": "clinician", "reason": "why", "override": "reason", "etag": "at",
}

// moveTo reads where the appointment goes.
func (q *ask) moveTo(f *form) *vw.Place {
	length, err := strconv.Atoi(f.Get("minutes"))
	if err != nil || length < 5 || length > 480 {
		f.wrong("minutes", q.t("booking.minutes-wrong"))
	}
	return q.placeTyped(f, length)
}

// moveCheck says what speaks against the new place, what the move does to later
// visits, and how they are put right.
func (q *ask) moveCheck(p *movePage, h *house, a *vw.Appointment) error {
	f := p.Form
	place := q.moveTo(f)
	if !f.ok() {
		return nil
	}
	got, err := q.diary().CheckPlace(q, &vw.CheckPlaceRequest{Parent: q.practice, Appointment: a.GetName(), Place: place})
	if err != nil {
		if f.refused(err, moveFields) {
			return nil
		}
		return err
	}
	p.Checked = q.checkedPlace(h, got)
	if len(p.Checked.Forbids) > 0 {
		return nil
	}
	r := &vw.MoveAppointmentRequest{Name: a.GetName(), Etag: a.GetEtag(), Place: got.GetPlace().GetPlace(), Reason: f.Get("why"), ValidateOnly: true}
	if len(p.Checked.Needs) > 0 {
		if !q.is(clinicians...) {
			return nil
		}
		r.Override = &vw.WindowOverride{Reason: q.t("appointment.preview")}
	}
	preview, err := q.diary().MoveAppointment(q, r)
	if err != nil {
		if f.refused(err, moveFields) {
			return nil
		}
		return err
	}
	if preview.GetRepair() == nil {
		return nil
	}
	for _, m := range preview.GetRepair().GetMoves() {
		if m.GetAppointment() != a.GetName() {
			p.Repair = append(p.Repair, repairLine{q.t("appointment.repair-line", q.words.Local(m.GetPlace().GetStart()), q.words.Min(m.GetPlace().GetMinutes()), h.With(m.GetPlace()))})
		}
	}
	p.Sealed = sealed(preview.GetRepair())
	return nil
}

// move moves the appointment; with what puts later visits right, as one action.
func (q *ask) move() (*page, error) {
	f := q.typed()
	place := q.moveTo(f)
	if !f.ok() {
		return q.moveShow(f)
	}
	var override *vw.WindowOverride
	if f.Get("override") != "" {
		if f.Get("reason") == "" {
			out, err := q.moveShow(f)
			f.wrong("reason", q.t("booking.reason-missing"))
			return out, err
		}
		override = &vw.WindowOverride{Reason: f.Get("reason")}
	}
	name := q.name("appointments", q.path("appointment"))
	var err error
	if text := f.Get("repair"); text != "" {
		repair := &vw.AppointmentRepair{}
		if err := opened(text, repair); err != nil || len(repair.GetMoves()) == 0 {
			return nil, errBadForm
		}
		for _, m := range repair.GetMoves() {
			if m.GetAppointment() == name {
				m.Override = override
			}
		}
		_, err = q.diary().RepairAppointments(q, &vw.RepairAppointmentsRequest{Parent: q.practice, Repair: repair, RequestId: f.RequestID})
	} else {
		_, err = q.diary().MoveAppointment(q, &vw.MoveAppointmentRequest{Name: name, Etag: f.Get("etag"), Place: place, Override: override, Reason: f.Get("why"), RequestId: f.RequestID})
	}
	switch {
	case err == nil:
		return goTo("/appointments/" + q.path("appointment")), nil
	case taken(err):
		f.Problem = q.t("booking.place-taken")
	case behind(err):
		f.Problem = q.t("appointment.changed-meanwhile")
	case !f.refused(err, moveFields):
		return nil, err
	}
	f.RequestID = newRequestID()
	problem := f.Problem
	// Why an appointment is moved is asked beside the checked place: until that
	// is shown again, its message stands above.
	if text := f.Wrong["why"]; text != "" && problem == "" {
		problem = text
	}
	f.Problem = ""
	out, err := q.moveShow(f)
	f.Problem = problem
	return out, err
}
