package desk

import (
	"net/http"
	"slices"
	"strconv"

	"golang.org/x/sync/errgroup"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

var bookingRoutes = []route{
	{"GET /book", careTeam, (*ask).bookForWhom},
	{"GET /cases/{case}/book", careTeam, (*ask).bookPage},
	{"POST /cases/{case}/book", careTeam, (*ask).book},
	{"GET /patients/{patient}/book", careTeam, (*ask).bookPage},
	{"POST /patients/{patient}/book", careTeam, (*ask).book},
	{"GET /cases/{case}/place", careTeam, (*ask).handPage},
	{"POST /cases/{case}/place", careTeam, (*ask).handBook},
	{"GET /patients/{patient}/place", careTeam, (*ask).handPage},
	{"POST /patients/{patient}/place", careTeam, (*ask).handBook},
	{"GET /bookings/{booking}", careTeam, (*ask).bookingPage},
	{"POST /bookings/{booking}/confirm", careTeam, (*ask).confirmBooking},
	{"POST /bookings/{booking}/let-go", careTeam, (*ask).letGoBooking},
}

// bookPage shows offers for what has no place yet.
type bookPage struct {
	*bookSubject
	Who   string
	Tooth string
	Form  *form // wishes
	Act   *form // what is booked
	Query string
	// Offers are sets of places, the best first.
	Offers []*offerView
	// Binding says what stands in the way when there is none.
	Binding []*bindingView
	// Chosen is the place that was taken for the first visit, while the second is
	// looked for.
	Chosen *placeView
	Days   []option
	Parts  []option
	People []option
	Kinds  []option
	keepTimes
	Wished bool
	// NeedsPlan is set while no clinician has accepted a plan.
	NeedsPlan bool
	Closed    bool
	// Nothing is set when every visit of the plan has its place.
	Nothing bool
	Earlier []earlierView
}

type earlierView struct {
	A                     *vw.Appointment
	When, What, State, ID string
}

func (q *ask) bookPage() (*page, error) {
	s, err := q.bookSubject()
	if err != nil {
		return nil, err
	}
	return q.bookShow(s, newForm(q.form), newForm(nil))
}

// bookShow looks for offers and shows them.
func (q *ask) bookShow(s *bookSubject, f, act *form) (*page, error) {
	p := &bookPage{bookSubject: s, Form: f, Act: act, Who: patientWords(s.Patient), Query: keptQuery(f.values), Days: q.weekdayOptions(), Parts: q.partOptions(), Wished: wishedAny(f),
		Closed: s.Case.GetState() == vw.Case_STATE_CLOSED}
	if s.Case != nil {
		p.Tooth = q.words.Tooth(s.Case.GetTooth())
	}
	var h *house
	g := errgroup.Group{}
	g.Go(func() (err error) { h, err = q.house(); return err })
	g.Go(func() (err error) { p.keepTimes, err = q.keepTimes(); return err })
	if err := g.Wait(); err != nil {
		return nil, err
	}
	p.People = h.clinicianOptions(q.t("booking.anybody"))
	q.choices(p)
	for _, a := range s.Earlier() {
		p.Earlier = append(p.Earlier, earlierView{A: a, When: q.words.Local(a.GetPlace().GetStart()), What: q.what(a), State: q.stateWords(a), ID: lastPart(a.GetName())})
	}
	wishes := q.wishes(f)
	switch {
	case p.Closed:
	case s.Unplanned == "" && s.Option == nil:
		p.NeedsPlan = true
	case s.Unplanned == "" && p.Nothing:
	case f.ok():
		if err := q.findOffers(p, h, wishes); err != nil {
			if !f.refused(err, offerFields) {
				return nil, err
			}
		}
	}
	out := &page{name: "booking", title: q.t("booking.heading", p.Who), section: "patients", data: p}
	if q.posted() || !f.ok() {
		out.status = http.StatusUnprocessableEntity
	}
	return out, nil
}

// offerFields says where the fields of a request for offers stand in the form.
var offerFields = map[string]string{
	"wishes.not_before": "from", "wishes.not_after": "until", "wishes.weekdays": "day", "wishes.times": "start", "wishes.excluded": "not", "wishes.clinicians": "clinician",
	"visits[0].unplanned.minutes": "minutes", "visits[0].unplanned.protocol": "what", "visits[0].fixed": "first", "visits": "visit",
}

// unplannedKinds are what is booked without a plan.
var unplannedKinds = []string{"consultation", "emergency-relief", "review", "re-dress", "temporary-repair", "core"}

// choices reads what is booked: visits of the plan, or one that no plan asks
// for.
func (q *ask) choices(p *bookPage) {
	f := p.Form
	p.Kinds = nil
	if p.Option != nil {
		p.Kinds = append(p.Kinds, option{Value: "", Text: q.t("booking.the-plan")})
	}
	for _, id := range unplannedKinds {
		p.Kinds = append(p.Kinds, option{Value: id, Text: q.protocolWords(id)})
	}
	p.Unplanned = f.Get("what")
	if p.Unplanned == "" && p.Option == nil && p.Case == nil {
		p.Unplanned = "consultation"
		f.Set("what", p.Unplanned)
	}
	if p.Unplanned != "" {
		if f.Get("minutes") == "" {
			f.Set("minutes", "30")
		}
		p.Minutes = q.lengthTyped(f)
		return
	}
	asked := f.All("visit")
	for _, v := range p.Visits {
		if v.Appointment == nil {
			v.Ticked = slices.Contains(asked, strconv.Itoa(int(v.GetNumber()))) || len(asked) == 0 && (v.GetBookedAhead() || v.GetNumber() == 1)
		}
	}
	if p.Nothing = len(asked) == 0 && !slices.ContainsFunc(p.Visits, func(v *bookVisit) bool { return v.Ticked }); p.Nothing {
		return
	}
	if len(p.Open()) > 0 && !slices.ContainsFunc(p.Visits, func(v *bookVisit) bool { return v.Ticked }) {
		f.wrong("visit", q.t("booking.visit-missing"))
	}
}

// book books an offer, firmly or for a while.
func (q *ask) book() (*page, error) {
	s, err := q.bookSubject()
	if err != nil {
		return nil, err
	}
	act := q.typed()
	r := &vw.BookOfferRequest{Parent: q.practice, Patient: s.Patient.GetName(), OfferToken: act.Get("token"), RequestId: act.RequestID}
	for _, text := range act.All("place") {
		place := &vw.PlaceToBook{}
		if err := opened(text, place); err != nil {
			return nil, errBadForm
		}
		r.Places = append(r.Places, place)
	}
	if r.KeepMinutes, err = q.keepMinutes(act); err != nil {
		return nil, err
	}
	// The wishes stand in the address that the form was sent to.
	wishes := newForm(q.http.URL.Query())
	if !act.ok() {
		return q.bookShow(s, wishes, act)
	}
	booking, err := q.diary().BookOffer(q, r)
	switch {
	case err == nil:
		return goTo("/bookings/" + lastPart(booking.GetName())), nil
	case taken(err):
		// Somebody was quicker. Offers are looked for anew with the same wishes.
		act = newForm(nil)
		act.Problem = q.t("booking.taken")
	case !act.refused(err, nil):
		return nil, err
	}
	return q.bookShow(s, wishes, act)
}

// taken reports whether somebody else has the place, or it ran out.
func taken(err error) bool {
	return reasonOf(err) == "PLACE_TAKEN" || reasonOf(err) == "CONCURRENT_CHANGE"
}

// WithoutFirst takes the chosen first place back.
func (p *bookPage) WithoutFirst() string { return keptQuery(p.Form.values, "first", "") }
