package desk

import (
	"fmt"
	"net/http"
	"net/url"
	"strconv"

	"golang.org/x/sync/errgroup"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

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
	return q.placeTyped(f, q.lengthTyped(f))
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
