package desk

import (
	"errors"
	"net/http"
	"net/url"
	"slices"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// fitView is what a newer plan says of an appointment that was booked by an
// earlier one.
type fitView struct {
	Needed int32 // minutes; 0 when the visit is not planned any more
	Booked int32
	// Short, Outside and Gone are what does not fit.
	Short, Gone bool
	Outside     string
	// Text says it in a sentence, Link leads to the repair.
	Text, Link string
	// NowVisit is the number that the new plan gives the visit, where it is
	// another one than it was booked as; 0 where it is the same.
	NowVisit int32
	// part is the visit of the new plan that the appointment serves.
	part *vw.VisitPart
}

// worthKeeping is the chance below which a further visit is not booked ahead,
// as the chair's re-plan tells it.
const worthKeeping = 0.1

// fit compares an appointment with the newest plan of its case; nil when it was
// booked by that plan, or fits.
func (q *ask) fit(a *vw.Appointment, c *vw.Case) (*fitView, error) {
	if c.GetLatestPlan() == "" || !stale(a, c) {
		return nil, nil
	}
	plan, err := q.planner().GetPlan(q, &vw.GetPlanRequest{Name: c.GetLatestPlan()})
	if err != nil {
		return nil, err
	}
	all, err := q.bookedOf(c.GetName())
	if err != nil {
		return nil, err
	}
	return q.fitIn(a, plan, all)
}

// stale reports whether a newer plan than the one it was booked by exists.
func stale(a *vw.Appointment, c *vw.Case) bool {
	return slices.ContainsFunc(a.GetParts(), func(p *vw.VisitPart) bool {
		return samePlanCase(p.GetPlan(), c.GetName()) && p.GetPlan() != c.GetLatestPlan()
	})
}

func samePlanCase(plan, caseName string) bool {
	return len(plan) > len(caseName) && plan[:len(caseName)] == caseName && plan[len(caseName)] == '/'
}

// fitIn is fit with everything at hand. The appointments ahead serve the visits
// of the new plan in their order.
func (q *ask) fitIn(a *vw.Appointment, plan *vw.Plan, all []*vw.Appointment) (*fitView, error) {
	option := acceptedOption(plan)
	if option == nil {
		return nil, nil
	}
	at := 0
	for _, other := range all {
		if other.GetName() == a.GetName() {
			break
		}
		if ahead(other) && len(other.GetParts()) > 0 {
			at++
		}
	}
	f := &fitView{Booked: a.GetPlace().GetMinutes(), Link: "/appointments/" + lastPart(a.GetName()) + "/mend"}
	if at >= len(option.GetVisits()) || at > 0 && option.GetVisits()[at].GetNeeded().GetProbability() < worthKeeping {
		f.Gone, f.Text = true, q.t("mend.gone")
		return f, nil
	}
	v := option.GetVisits()[at]
	f.Needed = v.GetAppointmentMinutes()
	f.part = &vw.VisitPart{Plan: plan.GetName(), Option: option.GetId(), Visit: v.GetNumber()}
	if len(a.GetParts()) > 0 && a.GetParts()[0].GetVisit() != v.GetNumber() {
		f.NowVisit = v.GetNumber()
	}
	got, err := q.diary().CheckPlace(q, &vw.CheckPlaceRequest{Parent: q.practice, Parts: []*vw.VisitPart{f.part}, Place: a.GetPlace(), Appointment: a.GetName()})
	if err != nil {
		// A place that cannot even be looked at any more has to be looked for anew.
		if !canMend(refusal(err)) {
			return nil, err
		}
		f.Outside = sentence(err.Error())
	}
	for _, w := range got.GetPlace().GetWarnings() {
		if w.GetReason() == "OUTSIDE_WINDOW" {
			f.Outside = sentence(w.GetText())
		}
	}
	f.Short = f.Booked < f.Needed
	switch {
	case f.Short && f.Outside != "":
		f.Text = q.t("mend.short", q.words.Min(f.Booked), q.words.Min(f.Needed)) + " " + f.Outside
	case f.Short:
		f.Text = q.t("mend.short", q.words.Min(f.Booked), q.words.Min(f.Needed))
	case f.Outside != "":
		f.Text = f.Outside
	default:
		return nil, nil
	}
	return f, nil
}

// mendPage offers what puts an appointment right that a newer plan has made too
// short, outside its window or needless.
type mendPage struct {
	oneEach
	*bookedLine
	Who  string
	Form *form
	Fit  *fitView
	// Longer is set when the same place can simply be longer; LongerBut says what
	// should be known of it.
	Longer    bool
	LongerBut []string
	Until     string
	Offers    []*offerView
	Binding   []*bindingView
	CaseID    string
}

func (q *ask) mendPage() (*page, error) { return q.mendShow(newForm(nil)) }

func (q *ask) mendShow(f *form) (*page, error) {
	a, err := q.appointment()
	if err != nil {
		return nil, err
	}
	h, err := q.house()
	if err != nil {
		return nil, err
	}
	who, err := q.whoIs([]*vw.Appointment{a})
	if err != nil {
		return nil, err
	}
	p := &mendPage{bookedLine: q.bookedLine(h, a), Who: who.Patient(a.GetPatient()), Form: f}
	c := who.firstCase(a)
	if ahead(a) {
		p.CaseID = lastPart(c.GetName())
		if p.Fit, err = q.fit(a, c); err != nil {
			return nil, err
		}
	}
	if p.Fit != nil && !p.Fit.Gone {
		if err := q.mendChoices(p, h, a, c); err != nil {
			return nil, err
		}
	}
	out := &page{name: "mend", title: q.t("mend.heading", p.Who), section: "day", data: p}
	if !f.ok() {
		out.status = http.StatusUnprocessableEntity
	}
	return out, nil
}

// mendChoices looks whether the place can be longer, and which other places
// there are.
func (q *ask) mendChoices(p *mendPage, h *house, a *vw.Appointment, c *vw.Case) error {
	if p.Fit.Short && p.Fit.Outside == "" {
		got, err := q.diary().CheckPlace(q, &vw.CheckPlaceRequest{Parent: q.practice, Appointment: a.GetName(), Place: longer(a.GetPlace(), p.Fit.Needed)})
		if err != nil && !canMend(refusal(err)) {
			return err
		}
		if err == nil {
			checked := q.checkedPlace(h, got)
			p.Longer, p.LongerBut = len(checked.Forbids)+len(checked.Needs) == 0, checked.Mind
			p.Until = clockAt(startMinute(a.GetPlace()) + int(p.Fit.Needed))
		}
	}
	visits := []*vw.VisitToPlace{{Parts: []*vw.VisitPart{p.Fit.part}}}
	got, err := q.diary().FindOffers(q, &vw.FindOffersRequest{Parent: q.practice, Patient: a.GetPatient(), Visits: visits, Wishes: &vw.OfferWishes{OtherDays: true}, MostOffers: mostOffers})
	if err != nil {
		if p.Form.refused(err, nil) {
			return nil
		}
		return err
	}
	subject := &bookPage{bookSubject: &bookSubject{Case: c, Patient: &vw.Patient{Name: a.GetPatient()}}, Form: newForm(url.Values{})}
	for _, o := range got.GetOffers() {
		p.Offers = append(p.Offers, q.offerView(subject, h, visits, o))
	}
	for _, b := range got.GetBinding() {
		p.Binding = append(p.Binding, &bindingView{Text: sentence(b.GetText()), Relaxing: sentence(b.GetRelaxing())})
	}
	return nil
}

// mend does it: the same place for longer, another place in its stead, or none.
func (q *ask) mend() (*page, error) {
	f := q.typed()
	a, err := q.appointment()
	if err != nil {
		return nil, err
	}
	to := "/appointments/" + lastPart(a.GetName())
	if !ahead(a) {
		return goTo(to), nil // mended by an earlier tap, or over: its page says what became of it
	}
	switch f.Get("do") {
	case "longer":
		err = q.mendLonger(f, a)
	case "other":
		to, err = q.mendOther(f, a)
	case "cancel":
		_, err = q.diary().CancelAppointment(q, &vw.CancelAppointmentRequest{Name: a.GetName(), Etag: a.GetEtag(), Reason: "not-needed", RequestId: f.RequestID})
	default:
		return nil, errBadForm
	}
	switch {
	case err == nil:
		return goTo(to), nil
	case errors.Is(err, errOldStays):
		f.Problem = q.t("mend.old-stays")
	case taken(err):
		f.Problem = q.t("booking.place-taken")
	case !f.refused(err, nil):
		return nil, err
	}
	f.RequestID = newRequestID()
	return q.mendShow(f)
}

func (q *ask) mendLonger(f *form, a *vw.Appointment) error {
	who, err := q.whoIs([]*vw.Appointment{a})
	if err != nil {
		return err
	}
	fit, err := q.fit(a, who.firstCase(a))
	if err != nil || fit == nil || fit.Needed == 0 {
		return err // somebody mended it meanwhile
	}
	_, err = q.diary().MoveAppointment(q, &vw.MoveAppointmentRequest{Name: a.GetName(), Etag: a.GetEtag(), Reason: "plan-changed", RequestId: f.RequestID,
		Place: longer(a.GetPlace(), fit.Needed)})
	return err
}

// errOldStays is told when the new place is booked and the old one could not be
// given up.
var errOldStays = errors.New("the old place stays booked")

// mendOther books the new place first and gives the old one up afterwards: the
// patient is never left without.
func (q *ask) mendOther(f *form, a *vw.Appointment) (string, error) {
	booking, err := q.diary().BookOffer(q, &vw.BookOfferRequest{Parent: q.practice, Patient: a.GetPatient(), OfferToken: f.Get("token"), RequestId: f.RequestID})
	if err != nil {
		return "", err
	}
	_, err = q.diary().CancelAppointment(q, &vw.CancelAppointmentRequest{Name: a.GetName(), Etag: a.GetEtag(), Reason: "plan-changed"})
	if err != nil {
		return "", errors.Join(errOldStays, err)
	}
	return "/bookings/" + lastPart(booking.GetName()), nil
}
