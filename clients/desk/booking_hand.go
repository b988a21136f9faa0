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
