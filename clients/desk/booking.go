package desk

import (
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

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

// offerView is one set of places in plain words.
type offerView struct {
	Token   string
	Places  []*placeView
	Sealed  []string // for places that were chosen one by one
	Reasons []string
	// First leads to what is left for the second visit when this first place is
	// taken.
	First string
}

// placeView is one place in plain words.
type placeView struct {
	Number   int32 // of the visit; 0 for one that no plan asks for
	Date     string
	Time     string
	Minutes  string
	With     string
	Near     string
	After    string
	Window   string
	IfNeeded bool
	Kept     bool // chosen or booked already
	// Overnight is set where the place can be kept overnight.
	Overnight bool
	// NotWith says that another clinician treats the case.
	NotWith  string
	Warnings []*vw.PlaceWarning
}

type bindingView struct {
	Text, Relaxing string
	Offer          *offerView
	// Clinician is set where only a clinician decides.
	Clinician bool
}

// mostOffers is how many sets one page shows.
const mostOffers = 6

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

// keepTimes are how long a provisional booking is kept: the practice's minutes,
// or overnight.
type keepTimes struct {
	Keep int32
	// Night says until when a place is kept overnight.
	Night string
	until time.Time
}

// overnight reports whether a place can be kept overnight: nothing is kept
// beyond the beginning of its visit.
func (k keepTimes) overnight(p *vw.Place) bool {
	return k.until.Before(p.GetStart().GetInstantTime().AsTime())
}

func (q *ask) keepTimes() (keepTimes, error) {
	settings, err := q.diary().GetDiarySettings(q, &vw.GetDiarySettingsRequest{Name: q.practice + "/diarySettings"})
	if err != nil {
		return keepTimes{}, err
	}
	until, err := q.overnight()
	return keepTimes{Keep: max(1, settings.GetProvisionalMinutes()), Night: q.words.Date(dateOf(until)) + " " + until.Format("15:04"), until: until}, err
}

// overnight is noon of the next day on which the practice works.
func (q *ask) overnight() (time.Time, error) {
	today := q.words.Today()
	hours, err := q.openHours(&vw.DateRange{FirstDate: today, LastDate: q.words.addDays(today, 7)})
	if err != nil {
		return time.Time{}, err
	}
	day := q.words.addDays(today, 1)
	for i := 1; i < 7; i++ {
		if d := q.words.addDays(today, i); total(hours.open(q.practice, d)) > 0 {
			day = d
			break
		}
	}
	return q.words.day(day), nil
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

// toPlace are the visits that places are looked for, around what is chosen or
// booked already.
func (q *ask) toPlace(p *bookPage) ([]*vw.VisitToPlace, error) {
	if p.Unplanned != "" {
		return []*vw.VisitToPlace{{Unplanned: &vw.UnplannedVisit{Protocol: p.Unplanned, Minutes: p.Minutes, Case: p.CaseName()}}}, nil
	}
	var first *vw.Place
	if text := p.Form.Get("first"); text != "" {
		first = &vw.Place{}
		if err := opened(text, first); err != nil {
			return nil, errBadForm
		}
	}
	var out []*vw.VisitToPlace
	for _, v := range p.Visits {
		switch {
		case v.Ticked:
			t := &vw.VisitToPlace{Parts: []*vw.VisitPart{v.Part}, IfNeeded: v.IfNeeded}
			if first != nil {
				t.Fixed, first = first, nil
			}
			out = append(out, t)
		case v.Appointment != nil && ahead(v.Appointment) && len(out) == 1 && out[0].GetFixed() == nil:
			// The visit before one that is booked: it is placed before that.
			return append(out, &vw.VisitToPlace{Parts: []*vw.VisitPart{v.Part}, Appointment: v.Appointment.GetName()}), nil
		}
	}
	return out, nil
}

func (q *ask) findOffers(p *bookPage, h *house, wishes *vw.OfferWishes) error {
	visits, err := q.toPlace(p)
	if err != nil {
		return err
	}
	all := 0
	for _, v := range visits {
		if v.GetFixed() != nil {
			all++
		}
	}
	if all == len(visits) && all > 0 {
		// Only the first was ticked and it is chosen: there is nothing to look for.
		p.Form.Set("first", "")
		visits[0].Fixed = nil
	}
	got, err := q.diary().FindOffers(q, &vw.FindOffersRequest{Parent: q.practice, Patient: p.Patient.GetName(), Visits: visits, Wishes: wishes, MostOffers: mostOffers})
	if err != nil {
		return err
	}
	for _, o := range got.GetOffers() {
		p.Offers = append(p.Offers, q.offerView(p, h, visits, o))
	}
	if len(p.Offers) > 0 && p.Form.Get("first") != "" {
		p.Chosen = p.Offers[0].Places[0]
	}
	for _, b := range got.GetBinding() {
		v := &bindingView{Text: sentence(b.GetText()), Relaxing: sentence(b.GetRelaxing())}
		v.Clinician = slices.Contains([]string{"window", "length", "hours"}, b.GetId()) && strings.Contains(b.GetRelaxing(), "a clinician decides")
		if b.GetFirstOffer() != nil && (!v.Clinician || q.is(clinicians...)) {
			v.Offer = q.offerView(p, h, visits, b.GetFirstOffer())
			v.Offer.First = ""
		}
		p.Binding = append(p.Binding, v)
	}
	return nil
}

func (q *ask) offerView(p *bookPage, h *house, visits []*vw.VisitToPlace, o *vw.Offer) *offerView {
	v := &offerView{Token: o.GetToken()}
	fixed := slices.ContainsFunc(visits, func(t *vw.VisitToPlace) bool { return t.GetFixed() != nil })
	for i, place := range o.GetPlaces() {
		shown := q.placeView(h, place)
		shown.Overnight = p.overnight(place.GetPlace())
		if place.DaysAfterPrevious != nil && len(place.GetParts()) > 0 {
			shown.Window = q.windowWords(p.visit(place.GetParts()[0].GetVisit()), place.GetDaysAfterPrevious())
		}
		if i < len(visits) {
			shown.Kept = visits[i].GetFixed() != nil || visits[i].GetAppointment() != ""
			if fixed {
				v.Sealed = append(v.Sealed, sealed(&vw.PlaceToBook{Parts: place.GetParts(), Place: place.GetPlace(), IfNeeded: place.GetIfNeeded()}))
			}
		}
		if treats := p.Case.GetClinician(); treats != "" && clinicianOf(place.GetPlace()) != treats {
			shown.NotWith = q.t("booking.other-clinician", h.Title(treats))
		}
		v.Places = append(v.Places, shown)
	}
	if fixed {
		v.Token = "" // the token of such an offer holds only what was still open
	}
	for _, r := range o.GetReasons() {
		if r.GetText() != "" {
			v.Reasons = append(v.Reasons, r.GetText())
		}
	}
	if len(o.GetPlaces()) > 1 && !fixed && !v.Places[1].Kept {
		v.First = p.Path() + "/book" + keptQuery(p.Form.values, "first", sealed(o.GetPlaces()[0].GetPlace()))
	}
	return v
}

// windowWords says whether a visit lies inside the days that are safe.
func (q *ask) windowWords(v *bookVisit, days int32) string {
	if v == nil {
		return ""
	}
	w := v.GetReturnWindow()
	early, late := w.GetEarliest(), w.GetLatest()
	switch {
	case early == nil || late == nil:
		return ""
	case days < early.GetDays() || days > late.GetDays():
		return q.t("booking.outside-window", early.GetDays(), late.GetDays())
	}
	return q.t("booking.inside-window", early.GetDays(), late.GetDays())
}

func (q *ask) placeView(h *house, p *vw.OfferedPlace) *placeView {
	v := &placeView{Date: q.words.Date(p.GetPlace().GetStart().GetDate()), Near: q.words.Near(p.GetPlace().GetStart().GetDate()), Time: q.words.Clock(p.GetPlace().GetStart().GetTime()),
		Minutes: q.words.Min(p.GetPlace().GetMinutes()), With: h.With(p.GetPlace()), IfNeeded: p.GetIfNeeded(), Warnings: p.GetWarnings()}
	if len(p.GetParts()) > 0 {
		v.Number = p.GetParts()[0].GetVisit()
	}
	if p.DaysAfterPrevious != nil {
		v.After = q.t("booking.days-later", p.GetDaysAfterPrevious())
	}
	return v
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

// mostKeep is the longest that a place is kept, in minutes.
const mostKeep = 10080

// keepMinutes reads for how long a place is kept; 0 books firmly.
func (q *ask) keepMinutes(f *form) (int32, error) {
	switch text := f.Get("keep"); text {
	case "", "0":
		return 0, nil
	case "night":
		until, err := q.overnight()
		return int32(min(mostKeep, max(1, until.Sub(q.now()).Minutes()))), err
	default:
		n, ok := wholeBetween(text, 0, mostKeep)
		if !ok {
			f.wrong("keep", q.t("booking.keep-wrong"))
		}
		return n, nil
	}
}

// whomPage asks for whom an empty place is.
type whomPage struct {
	Form     *form
	When     string
	Query    string
	Searched bool
	Found    []whomLine
}

type whomLine struct {
	Who, Path string
	Cases     []whomCase
}

type whomCase struct{ Tooth, Path string }

// mostCallers is how many patients a search for a place shows.
const mostCallers = 12

// bookForWhom leads from an empty place of the day to booking it by hand.
func (q *ask) bookForWhom() (*page, error) {
	f := newForm(q.form)
	p := &whomPage{Form: f}
	place := url.Values{}
	for _, k := range []string{"date", "at", "room"} {
		if v := f.Get(k); v != "" {
			place.Set(k, v)
		}
	}
	p.Query = addressWith("", place)
	if d, t := readDate(f.Get("date")), readClock(f.Get("at")); d != nil && t != nil {
		p.When = q.words.Date(d) + " " + q.words.Clock(t)
	}
	if text := f.Get("q"); text != "" {
		p.Searched = true
		found, err := q.findPatients(text)
		if err != nil && !f.refused(err, map[string]string{"filter": "q"}) {
			return nil, err
		}
		for _, patient := range found[:min(len(found), mostCallers)] {
			line := whomLine{Who: patientWords(patient), Path: "/patients/" + lastPart(patient.GetName()) + "/place" + p.Query}
			cases, err := q.planner().ListCases(q, &vw.ListCasesRequest{Parent: q.practice, Filter: &vw.CaseFilter{Patient: patient.GetName(), OpenOnly: true}})
			if err != nil {
				return nil, err
			}
			for _, c := range cases.GetCases() {
				line.Cases = append(line.Cases, whomCase{Tooth: q.words.Tooth(c.GetTooth()), Path: "/cases/" + lastPart(c.GetName()) + "/place" + p.Query})
			}
			p.Found = append(p.Found, line)
		}
	}
	return &page{name: "book-whom", title: q.t("booking.for-whom"), section: "day", data: p}, nil
}

// WithoutFirst takes the chosen first place back.
func (p *bookPage) WithoutFirst() string { return keptQuery(p.Form.values, "first", "") }

// offerFormView is one offer with what its form needs.
type offerFormView struct {
	View      *view
	Index     int
	Offer     *offerView
	RequestID string
}

// offerOf prepares one offer for its template.
func offerOf(v *view, index int, o *offerView) offerFormView {
	return offerFormView{View: v, Index: index, Offer: o, RequestID: newRequestID()}
}
