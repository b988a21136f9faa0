package desk

import (
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// handPage is one place chosen by hand: what speaks against it, before anything
// is booked.
type handPage struct {
	*bookSubject
	Who     string
	Tooth   string
	Form    *form
	Visits  []option
	People  []option
	Rooms   []option
	Checked *checkedPlace
	Closed  bool
	keepTimes
	// NeedsPlan is set for a case that has nothing to book by its plan.
	NeedsPlan bool
}

// checkedPlace is what the service says of a place chosen by hand.
type checkedPlace struct {
	*placeView
	// Forbids, Needs and Mind are what stands in the way, what a clinician may
	// decide, and what reception should know.
	Forbids []string
	Needs   []string
	Mind    []string
	Effects []string
}

// handFields are the fields that a place chosen by hand is made of.
var handFields = []string{"visit", "what", "minutes", "date", "at", "clinician", "room"}

func (q *ask) handPage() (*page, error) {
	s, err := q.bookSubject()
	if err != nil {
		return nil, err
	}
	return q.handShow(s, newForm(q.form))
}

func (q *ask) handShow(s *bookSubject, f *form) (*page, error) {
	h, err := q.house()
	if err != nil {
		return nil, err
	}
	p := &handPage{bookSubject: s, Who: patientWords(s.Patient), Form: f, People: h.clinicianOptions(q.t("booking.whoever")), Rooms: resourceOptions(h.Rooms, q.t("booking.any-room")),
		Closed: s.Case.GetState() == vw.Case_STATE_CLOSED}
	if s.Case != nil {
		p.Tooth = q.words.Tooth(s.Case.GetTooth())
	}
	if p.keepTimes, err = q.keepTimes(); err != nil {
		return nil, err
	}
	for _, v := range s.Open() {
		p.Visits = append(p.Visits, option{Value: strconv.Itoa(int(v.GetNumber())), Text: q.t("booking.visit-of", v.GetNumber(), q.words.Min(v.GetAppointmentMinutes())), Hint: v.GetAim()})
	}
	for _, id := range unplannedKinds {
		p.Visits = append(p.Visits, option{Value: id, Text: q.protocolWords(id)})
	}
	if f.Get("visit") == "" {
		f.Set("visit", p.Visits[0].Value)
	}
	p.NeedsPlan = s.Case != nil && s.Option == nil
	place, parts, un := q.placeByHand(s, f)
	if place != nil && f.ok() && f.Problem == "" {
		got, err := q.diary().CheckPlace(q, &vw.CheckPlaceRequest{Parent: q.practice, Parts: parts, Unplanned: un, Place: place})
		switch {
		case err == nil:
			p.Checked = q.checkedPlace(h, got)
			p.Checked.Overnight = p.overnight(got.GetPlace().GetPlace())
		case !f.refused(err, placeFields):
			return nil, err
		}
	}
	out := &page{name: "booking-hand", title: q.t("booking.hand-heading", p.Who), section: "patients", data: p}
	if !f.ok() || q.posted() {
		out.status = http.StatusUnprocessableEntity
	}
	return out, nil
}

// placeFields says where the fields of a place stand in the form.
var placeFields = map[string]string{
	"place.start": "at", "place.start.date": "date", "place.start.time": "at", "place.minutes": "minutes", "place.holds": "clinician", "place.holds[1]": "room",
	"unplanned.minutes": "minutes", "unplanned.protocol": "visit", "parts": "visit",
	"places[0].place.start": "at", "places[0].place.start.date": "date", "places[0].place.minutes": "minutes", "places[0].place.holds": "clinician", "places[0].override": "reason",
	"places[0].unplanned": "visit", "places[0].parts": "visit", "override": "reason",
}

// placeByHand reads the place; nil when day or time have not been entered yet,
// or something of it is wrong.
func (q *ask) placeByHand(s *bookSubject, f *form) (*vw.Place, []*vw.VisitPart, *vw.UnplannedVisit) {
	var parts []*vw.VisitPart
	var un *vw.UnplannedVisit
	usual := int32(30)
	if n, err := strconv.Atoi(f.Get("visit")); err == nil {
		if v := s.visit(int32(n)); v != nil && n < 100 { //nolint:gosec // bounded beside
			parts, usual = []*vw.VisitPart{v.Part}, v.GetAppointmentMinutes()
		} else {
			f.wrong("visit", q.t("booking.visit-wrong"))
		}
	} else if slices.Contains(unplannedKinds, f.Get("visit")) {
		un = &vw.UnplannedVisit{Protocol: f.Get("visit"), Case: s.CaseName()}
	} else {
		f.wrong("visit", q.t("booking.visit-wrong"))
	}
	if f.Get("minutes") == "" {
		f.Set("minutes", strconv.Itoa(int(usual)))
	}
	length := q.lengthTyped(f)
	if f.Get("date") == "" && f.Get("at") == "" && !q.posted() {
		return nil, nil, nil
	}
	place := q.placeTyped(f, length)
	if un != nil {
		un.Minutes = length
	}
	if !f.ok() {
		return nil, parts, un
	}
	return place, parts, un
}

// lengthTyped reads the minutes of a place.
func (q *ask) lengthTyped(f *form) int32 {
	n, ok := wholeBetween(f.Get("minutes"), 5, 480)
	if !ok {
		f.wrong("minutes", q.t("booking.minutes-wrong"))
	}
	return n
}

// placeTyped reads day, time, clinician and room of a form.
func (q *ask) placeTyped(f *form, length int32) *vw.Place {
	day, at := readDate(f.Get("date")), readClock(f.Get("at"))
	if day == nil {
		f.wrong("date", q.t("booking.date-wrong"))
	}
	if at == nil {
		f.wrong("at", q.t("booking.time-wrong"))
	}
	place := &vw.Place{Start: &vw.LocalDateTime{Date: day, Time: at}, Minutes: length}
	if id := f.Get("clinician"); id != "" {
		place.Holds = append(place.Holds, &vw.Hold{Resource: q.name("clinicians", id), ToMinute: place.GetMinutes()})
	}
	if id := f.Get("room"); id != "" {
		place.Holds = append(place.Holds, &vw.Hold{Resource: q.name("resources", id), ToMinute: place.GetMinutes()})
	}
	return place
}

func (q *ask) checkedPlace(h *house, got *vw.CheckPlaceResponse) *checkedPlace {
	c := &checkedPlace{placeView: q.placeView(h, got.GetPlace())}
	for _, w := range got.GetPlace().GetWarnings() {
		text := sentence(w.GetText())
		switch {
		case w.GetForbids():
			c.Forbids = append(c.Forbids, text)
		case w.GetClinicianMayOverride() && w.GetReason() != "ADVISED_AGAINST":
			c.Needs = append(c.Needs, text)
		default:
			c.Mind = append(c.Mind, text)
		}
	}
	for _, e := range got.GetEffects() {
		c.Effects = append(c.Effects, sentence(e.GetText()))
	}
	return c
}

// handBook books the place, with a clinician's reason where one is needed.
func (q *ask) handBook() (*page, error) {
	s, err := q.bookSubject()
	if err != nil {
		return nil, err
	}
	f := q.typed()
	place, parts, un := q.placeByHand(s, f)
	keep, err := q.keepMinutes(f)
	if err != nil {
		return nil, err
	}
	if !f.ok() || place == nil {
		return q.handShow(s, f)
	}
	to := &vw.PlaceToBook{Parts: parts, Place: place, Unplanned: un}
	if f.Get("override") != "" {
		if f.Get("reason") == "" {
			// The place is looked at once more before the message is put in: a form
			// with something wrong is not.
			out, err := q.handShow(s, f)
			f.wrong("reason", q.t("booking.reason-missing"))
			return out, err
		}
		to.Override = &vw.WindowOverride{Reason: f.Get("reason")}
	}
	booking, err := q.diary().BookOffer(q, &vw.BookOfferRequest{Parent: q.practice, Patient: s.Patient.GetName(), Places: []*vw.PlaceToBook{to}, KeepMinutes: keep, RequestId: f.RequestID})
	if err == nil {
		return goTo("/bookings/" + lastPart(booking.GetName())), nil
	}
	if taken(err) {
		f.Problem = q.t("booking.place-taken")
	} else if !f.refused(err, placeFields) {
		return nil, err
	}
	f.RequestID = newRequestID()
	problem := f.Problem
	f.Problem = "" // the check below says more
	out, err := q.handShow(s, f)
	f.Problem = problem
	return out, err
}

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
		p.Again = "/patients/" + lastPart(a.GetPatient())
		if len(a.GetCases()) > 0 {
			p.Again = "/cases/" + lastPart(a.GetCases()[0])
		}
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
	back := "/"
	for _, a := range b.GetAppointments() {
		if len(a.GetCases()) > 0 {
			back = "/cases/" + lastPart(a.GetCases()[0]) + "/book"
		}
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
	if back != "/" {
		// The day that was refused is not offered again, until it is cleared.
		refused := q.words.ISODate(b.GetAppointments()[0].GetPlace().GetStart().GetDate())
		back += "?" + url.Values{"let": {"go"}, "not": {refused}}.Encode()
	}
	return goTo(back), nil
}

// HandQuery carries a place that is looked at to booking it.
func (p *handPage) HandQuery() string {
	out := url.Values{}
	for _, k := range handFields {
		if v := strings.TrimSpace(p.Form.values.Get(k)); v != "" {
			out.Set(k, v)
		}
	}
	return addressWith("", out)
}
