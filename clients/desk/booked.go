package desk

import (
	"net/http"
	"net/url"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// bookingView is what was booked together.
type bookingView struct {
	ID    string
	Who   string
	Teeth string
	// Phone to call back, when the booking is only kept.
	Phone  string
	Lines  []*bookedLine
	Kept   bool   // provisional
	Left   string // time left
	Until  string
	Ended  bool // ran out
	Gone   bool // nothing of it holds a place
	Form   *form
	Again  string // where new places are looked for
	Reason []option
	// Seldom says of visits that are only sometimes needed whether they are
	// booked; Missing are visits of the plan that still want a place.
	Seldom  []string
	Missing []string
}

// openVisits says what of the case's plan after a visit has no place, and whether
// on purpose. What lies before it took place or stands in a booking of its own.
func (q *ask) openVisits(p *bookingView, caseName string, after int32) error {
	s, err := q.caseSubject(caseName)
	if err != nil {
		return err
	}
	for _, v := range s.Open() {
		switch {
		case v.GetNumber() <= after:
		case v.IfNeeded && !v.GetBookedAhead():
			p.Seldom = append(p.Seldom, q.t("booking.if-needed-open", v.GetNumber(), v.GetNeeded().GetWords()))
		default:
			p.Missing = append(p.Missing, q.t("booking.still-open", v.GetNumber()))
		}
	}
	return nil
}

type bookedLine struct {
	A     *vw.Appointment
	ID    string
	Date  string
	Near  string
	Time  string
	Min   string
	With  string
	What  string
	State string
	After string
	Live  bool
	Ahead bool // booked here, has still to begin and can be cancelled
}

func (q *ask) bookingPage() (*page, error) { return q.bookingShow(newForm(nil)) }

func (q *ask) bookingShow(f *form) (*page, error) {
	b, err := q.diary().GetBooking(q, &vw.GetBookingRequest{Name: q.name("bookings", q.path("booking"))})
	if err != nil {
		return nil, err
	}
	h, err := q.house()
	if err != nil {
		return nil, err
	}
	who, err := q.whoIs(b.GetAppointments())
	if err != nil {
		return nil, err
	}
	p := &bookingView{ID: lastPart(b.GetName()), Form: f, Gone: true}
	caseName, visit := "", int32(0) // of the first that the plan asks for
	for i, a := range b.GetAppointments() {
		line := q.bookedLine(h, a)
		if i > 0 {
			if days := q.words.daysBetween(b.GetAppointments()[i-1].GetPlace().GetStart().GetDate(), a.GetPlace().GetStart().GetDate()); days > 0 {
				line.After = q.t("booking.days-later", days)
			}
		}
		p.Lines = append(p.Lines, line)
		p.Who, p.Phone = who.Patient(a.GetPatient()), who.Phone(a.GetPatient())
		if p.Teeth == "" {
			p.Teeth = who.Teeth(a)
		}
		p.Again = bookedFor(a)
		switch {
		case a.GetState() == vw.Appointment_STATE_EXPIRED:
			p.Ended = true
		case a.GetState() == vw.Appointment_STATE_PROVISIONAL && a.GetExpireTime().IsValid():
			left := q.minutesUntil(a.GetExpireTime().AsTime())
			p.Kept, p.Left, p.Until = true, q.words.TimeLeft(left), q.words.When(a.GetExpireTime())
			if left < 1 {
				p.Left = q.t("booking.less-than-a-minute")
			}
		}
		if a.GetIfNeeded() && ahead(a) {
			if a.GetReleaseTime().IsValid() {
				p.Seldom = append(p.Seldom, sentence(q.t("booking.if-needed-booked", line.What, q.words.When(a.GetReleaseTime()))))
			} else {
				p.Seldom = append(p.Seldom, sentence(q.t("booking.if-needed-kept", line.What)))
			}
		}
		p.Gone = p.Gone && !live(a)
		if len(a.GetParts()) > 0 && len(a.GetCases()) > 0 && caseName == "" {
			caseName, visit = a.GetCases()[0], a.GetParts()[0].GetVisit()
		}
	}
	if caseName != "" && !p.Gone {
		if err := q.openVisits(p, caseName, visit); err != nil {
			return nil, err
		}
	}
	title := q.t("booking.booked", p.Who)
	if p.Kept {
		title = q.t("booking.kept", p.Who)
	}
	out := &page{name: "booked", title: title, section: "patients", data: p}
	if !f.ok() {
		out.status = http.StatusUnprocessableEntity
	}
	return out, nil
}

// bookedFor is the address of what a place is for: a case, or the patient alone.
func bookedFor(a *vw.Appointment) string {
	if len(a.GetCases()) > 0 {
		return "/cases/" + lastPart(a.GetCases()[0])
	}
	return "/patients/" + lastPart(a.GetPatient())
}

func (q *ask) bookedLine(h *house, a *vw.Appointment) *bookedLine {
	place := a.GetPlace()
	return &bookedLine{A: a, ID: lastPart(a.GetName()), Date: q.words.Date(place.GetStart().GetDate()), Near: q.words.Near(place.GetStart().GetDate()), Time: q.words.Clock(place.GetStart().GetTime()),
		Min: q.words.Min(place.GetMinutes()), With: h.With(place), What: q.what(a), State: q.stateWords(a), Live: live(a), Ahead: a.GetState() == vw.Appointment_STATE_BOOKED}
}

// confirmBooking makes a provisional booking firm.
func (q *ask) confirmBooking() (*page, error) {
	f := q.typed()
	_, err := q.diary().ConfirmBooking(q, &vw.ConfirmBookingRequest{Name: q.name("bookings", q.path("booking")), RequestId: f.RequestID})
	if err == nil {
		return goTo("/bookings/" + q.path("booking")), nil
	}
	if reasonOf(err) == "PROVISIONAL_EXPIRED" {
		f.Problem = q.t("booking.ran-out")
	} else if !f.refused(err, nil) {
		return nil, err
	}
	f.RequestID = newRequestID()
	return q.bookingShow(f)
}

// letGoBooking gives the places of a provisional booking back.
func (q *ask) letGoBooking() (*page, error) {
	f := q.typed()
	b, err := q.diary().GetBooking(q, &vw.GetBookingRequest{Name: q.name("bookings", q.path("booking"))})
	if err != nil {
		return nil, err
	}
	repair := &vw.AppointmentRepair{}
	for _, a := range b.GetAppointments() {
		if a.GetState() == vw.Appointment_STATE_PROVISIONAL {
			repair.Cancels = append(repair.Cancels, &vw.RepairCancel{Appointment: a.GetName(), Etag: a.GetEtag(), Reason: "patient-asked"})
		}
	}
	if len(repair.GetCancels()) == 0 {
		f.Problem = q.t("booking.nothing-kept")
		return q.bookingShow(f)
	}
	if _, err := q.diary().RepairAppointments(q, &vw.RepairAppointmentsRequest{Parent: q.practice, Repair: repair, RequestId: f.RequestID}); err != nil {
		if !f.refused(err, nil) {
			return nil, err
		}
		return q.bookingShow(f)
	}
	// The day that was refused is not offered again, until it is cleared.
	first := b.GetAppointments()[0]
	refused := q.words.ISODate(first.GetPlace().GetStart().GetDate())
	return goTo(bookedFor(first) + "/book?" + url.Values{"let": {"go"}, "not": {refused}}.Encode()), nil
}
