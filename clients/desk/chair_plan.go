package desk

import (
	"net/http"
	"slices"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// replanView is what changes after a chair event or at the end: differences in
// sentences, the return window, and what becomes of each booking.
type replanView struct {
	*chairHead
	Form   *form
	Done   string
	Reply  *vw.ReplanVisitResponse
	Window *windowView
	// Kept is the revision that was made from this visit already; nil before.
	Kept     *vw.Plan
	Accepted bool
	Stops    []option
	Bookings []bookingLine
	// Repair says that something is broken and can be put right as one action.
	Repair bool
}

// bookingLine is what becomes of one booking, and how it is put right.
type bookingLine struct {
	*vw.BookingEffect
	Appointment *vw.Appointment
	State       string
	// Fix says in words what the repair does; empty when nothing is to do or
	// nothing was found.
	Fix string
	// ByHand is set when no repair was found: it is looked for in the diary.
	ByHand bool
	move   *vw.RepairMove
	cancel *vw.RepairCancel
}

// windowView is a return window in dates.
type windowView struct {
	*vw.ReturnWindow
	Earliest, Target, Latest string
}

// WindowFrom writes a return window that counts from the day of a visit in
// dates; nil when no clock runs.
func (w *words) WindowFrom(rw *vw.ReturnWindow, v *vw.ChairVisit) *windowView {
	if rw == nil {
		return nil
	}
	from := w.day(w.DayOf(v.GetBeginTime()))
	day := func(b *vw.WindowBound) string {
		if b == nil {
			return ""
		}
		return w.Date(dateOf(from.AddDate(0, 0, int(b.GetDays()))))
	}
	return &windowView{ReturnWindow: rw, Earliest: day(rw.GetEarliest()), Target: day(rw.GetTarget()), Latest: day(rw.GetLatest())}
}

func (q *ask) replanPage() (*page, error) {
	return q.showReplan(newForm(q.form), 0)
}

func (q *ask) showReplan(f *form, status int) (*page, error) {
	p, err := q.readReplan(f)
	if err != nil {
		return nil, err
	}
	if p.Closed() {
		return goTo(p.At), nil
	}
	p.Done = q.done("chair")
	return &page{name: "chair-plan", title: q.titleOf("chair.plan-title", p.head), section: "patients", data: p, status: status}, nil
}

// readReplan previews the plan and works out how each booking is put right.
func (q *ask) readReplan(f *form) (*replanView, error) {
	h, err := q.readChair("plan")
	if err != nil {
		return nil, err
	}
	p := &replanView{chairHead: h, Form: f}
	if h.Closed() {
		return p, nil
	}
	p.Reply, err = q.chair().ReplanVisit(q, &vw.ReplanVisitRequest{Name: h.Visit.GetName(), Stop: f.Get("stop"), ValidateOnly: true})
	if err != nil && f.Get("stop") != "" && f.refused(err, map[string]string{"stop": "stop"}) {
		p.Reply, err = q.chair().ReplanVisit(q, &vw.ReplanVisitRequest{Name: h.Visit.GetName(), ValidateOnly: true})
	}
	if err != nil {
		return nil, err
	}
	p.Window = q.words.WindowFrom(p.Reply.GetReturnWindow(), h.Visit)
	if latest := h.Case.GetLatestPlan(); latest != "" && latest != h.Visit.GetPart().GetPlan() {
		plan, err := q.planner().GetPlan(q, &vw.GetPlanRequest{Name: latest})
		if err != nil {
			return nil, err
		}
		if fromVisit(plan, h.Visit) {
			p.Kept, p.Accepted = plan, plan.GetAccepted() != nil
		}
	}
	if !h.Ended() {
		p.Stops = []option{{Text: q.t("chair.plan-as-it-stands")}}
		for _, w := range h.Visit.GetAnswer().GetWays() {
			if w.GetId() != "finish" {
				p.Stops = append(p.Stops, option{Value: w.GetId(), Text: w.GetTitle()})
			}
		}
	}
	for _, e := range p.Reply.GetBookings() {
		line, err := q.bookingLine(p, e)
		if err != nil {
			return nil, err
		}
		p.Repair = p.Repair || line.move != nil || line.cancel != nil
		p.Bookings = append(p.Bookings, line)
	}
	return p, nil
}

// fromVisit reports whether a revision was made from this visit as it stands.
func fromVisit(plan *vw.Plan, v *vw.ChairVisit) bool {
	if plan.GetCause() != "chair-event" && plan.GetCause() != "visit-ended" {
		return false
	}
	last := v.GetBeginTime().AsTime()
	for _, m := range v.GetMarks() {
		if m.GetLog() == nil && m.GetCreateTime().AsTime().After(last) {
			last = m.GetCreateTime().AsTime()
		}
	}
	return !plan.GetCreateTime().AsTime().Before(last)
}

// bookingLine says what becomes of a booking: longer where it stands when that
// is free, else the best other place, or given up.
func (q *ask) bookingLine(p *replanView, e *vw.BookingEffect) (bookingLine, error) {
	line := bookingLine{BookingEffect: e, State: q.words.Enum("chair.effect", short(e.GetEffect(), "EFFECT_"))}
	var err error
	if line.Appointment, err = q.diary().GetAppointment(q, &vw.GetAppointmentRequest{Name: e.GetAppointment()}); err != nil {
		return line, err
	}
	a := line.Appointment
	switch e.GetEffect() {
	case vw.BookingEffect_EFFECT_NOT_NEEDED:
		line.cancel = &vw.RepairCancel{Appointment: a.GetName(), Etag: a.GetEtag(), Reason: "not-needed"}
		line.Fix = q.t("chair.fix-cancel")
	case vw.BookingEffect_EFFECT_TOO_SHORT:
		if fits, err := q.fitsLonger(a, e.GetNeededMinutes()); err != nil || fits {
			line.move = &vw.RepairMove{Appointment: a.GetName(), Etag: a.GetEtag(), Place: longer(a.GetPlace(), e.GetNeededMinutes())}
			line.Fix = q.t("chair.fix-longer", q.words.Clock(a.GetPlace().GetStart().GetTime()), q.words.Min(e.GetNeededMinutes()))
			return line, err
		}
		return line, q.fixElsewhere(p, &line)
	case vw.BookingEffect_EFFECT_OUTSIDE_WINDOW:
		return line, q.fixElsewhere(p, &line)
	}
	return line, nil
}

// longer is the same place with more minutes: for which part of it who and what
// is held follows from the length.
func longer(p *vw.Place, minutes int32) *vw.Place {
	out := &vw.Place{Start: p.GetStart(), Minutes: minutes}
	for _, h := range p.GetHolds() {
		out.Holds = append(out.Holds, &vw.Hold{Resource: h.GetResource(), ToMinute: minutes})
	}
	return out
}

func (q *ask) fitsLonger(a *vw.Appointment, minutes int32) (bool, error) {
	got, err := q.diary().CheckPlace(q, &vw.CheckPlaceRequest{Parent: q.practice, Appointment: a.GetName(), Place: longer(a.GetPlace(), minutes)})
	if err != nil {
		if canMend(refusal(err)) {
			return false, nil // there is no such place
		}
		return false, err
	}
	return !slices.ContainsFunc(got.GetPlace().GetWarnings(), func(w *vw.PlaceWarning) bool { return w.GetForbids() || w.GetClinicianMayOverride() }), nil
}

// fixElsewhere looks for the best other place. Before the new plan is kept no
// visit of it can be placed: the diary then is asked by hand.
func (q *ask) fixElsewhere(p *replanView, line *bookingLine) error {
	line.ByHand = true
	a := line.Appointment
	if p.Kept == nil {
		return nil
	}
	part := &vw.VisitPart{Plan: p.Kept.GetName(), Option: line.GetPart().GetOption(), Visit: line.GetPart().GetVisit()}
	got, err := q.diary().FindOffers(q, &vw.FindOffersRequest{Parent: q.practice, Patient: p.Patient.GetName(), Visits: []*vw.VisitToPlace{{Parts: []*vw.VisitPart{part}}}, MostOffers: 1})
	if err != nil {
		if canMend(refusal(err)) {
			return nil
		}
		return err
	}
	if len(got.GetOffers()) == 0 {
		return nil
	}
	place := got.GetOffers()[0].GetPlaces()[0].GetPlace()
	line.move, line.ByHand = &vw.RepairMove{Appointment: a.GetName(), Etag: a.GetEtag(), Place: place}, false
	line.Fix = q.t("chair.fix-move", q.words.Local(place.GetStart()), q.words.Min(place.GetMinutes()))
	return nil
}

// replan keeps the new plan, or puts the bookings right as one action.
func (q *ask) replan() (*page, error) {
	f := q.typed()
	at := "/cases/" + q.path("case") + "/chair/" + q.path("visit") + "/plan"
	name, err := q.visitName()
	if err != nil {
		return nil, err
	}
	done := "kept"
	switch f.Get("do") {
	case "keep":
		_, err = q.chair().ReplanVisit(q, &vw.ReplanVisitRequest{Name: name, Stop: f.Get("stop"), RequestId: f.RequestID})
	case "repair":
		done = "repaired"
		err = q.repair(f)
	default:
		return nil, errBadForm
	}
	if err == nil {
		return goTo(at + "?done=" + done), nil
	}
	if !f.refused(err, map[string]string{"stop": "stop"}) {
		return nil, err
	}
	return q.showReplan(f, http.StatusUnprocessableEntity)
}

// repair does to the bookings what the page says: all or none.
func (q *ask) repair(f *form) error {
	p, err := q.readReplan(newForm(nil))
	if err != nil {
		return err
	}
	repair := &vw.AppointmentRepair{}
	for _, line := range p.Bookings {
		if line.move != nil {
			repair.Moves = append(repair.Moves, line.move)
		}
		if line.cancel != nil {
			repair.Cancels = append(repair.Cancels, line.cancel)
		}
	}
	if len(repair.GetMoves())+len(repair.GetCancels()) == 0 {
		return nil // somebody put it right meanwhile
	}
	_, err = q.diary().RepairAppointments(q, &vw.RepairAppointmentsRequest{Parent: q.practice, Repair: repair, RequestId: f.RequestID})
	return err
}
