package desk

import (
	"slices"
	"strings"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

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
