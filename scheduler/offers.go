package scheduler

import (
	"context"
	"fmt"
	"slices"
	"time"

	"github.com/visitwright/visitwright/proto/fault"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/scheduler/civil"
	"github.com/visitwright/visitwright/scheduler/diary"
	"github.com/visitwright/visitwright/store"
)

const (
	defaultOffers = 10
	mostOffers    = 100
)

// toPlace is one visit of a request for offers.
type toPlace struct {
	*demand
	visit    diary.Visit
	ifNeeded bool
	fixed    *diary.Place // chosen or booked already
	booked   bool         // fixed is an appointment
}

// FindOffers finds the best sets of places for the visits of a plan.
func (s *Diary) FindOffers(ctx context.Context, r *vw.FindOffersRequest) (*vw.FindOffersResponse, error) {
	caller, err := s.reader(ctx, r.GetParent())
	if err != nil {
		return nil, err
	}
	x, err := s.snapshot(ctx, caller.Call)
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	q, err := s.question(ctx, caller, r, x)
	if err != nil {
		return nil, err
	}
	out := &vw.FindOffersResponse{DiaryVersion: x.version}
	found, err := q.search(x)
	if err != nil {
		return nil, s.fault(err, caller, wishPaths)
	}
	for _, o := range found {
		offer, err := s.offerToProto(caller, q, o, x)
		if err != nil {
			return nil, err
		}
		out.Offers = append(out.Offers, offer)
	}
	if len(out.Offers) == 0 {
		out.Binding, err = s.binding(caller, q, x)
	}
	return out, s.fault(err, caller, wishPaths)
}

// wishPaths says where in a request for offers the pure diary's fields stand.
var wishPaths = fault.Paths{
	"wishes.not_after": "wishes.not_after", "wishes.suits": "wishes.times", "wishes.not": "wishes.excluded", "best": "most_offers",
}

// question is a request for offers, read.
type question struct {
	patient string
	visits  []toPlace
	req     diary.Request
	// before is set when one visit is placed before one that is fixed.
	before bool
	offers int
	// from is the day of the visit before that the first place to be found counts
	// from, as the diary or the chair knows it; zero when there is none, or when
	// that visit has only a place that was chosen.
	from civil.Date
}

func (s *Diary) question(ctx context.Context, c Caller, r *vw.FindOffersRequest, x *snapshot) (*question, error) {
	q := &question{offers: int(r.GetMostOffers())}
	if q.offers == 0 {
		q.offers = defaultOffers
	}
	q.offers = min(q.offers, mostOffers)
	var err error
	if r.GetPatient() != "" {
		if q.patient, err = c.patient("patient", r.GetPatient()); err != nil {
			return nil, err
		}
	}
	q.req = diary.Request{Now: s.now(), Best: q.offers, Weights: x.worked.weights(), StartStep: int(x.worked.settings.GetStartStepMinutes())}
	w := r.GetWishes()
	if err := s.wishesFromProto(c, w, x, &q.req); err != nil {
		return nil, err
	}
	var clinicians []string
	for i, name := range w.GetClinicians() {
		ref, err := ownerFromProto(c, fmt.Sprintf("wishes.clinicians[%d]", i), name, x.setup)
		if err != nil {
			return nil, err
		}
		if ref.Kind != store.KindClinician {
			return nil, invalidField(fmt.Sprintf("wishes.clinicians[%d]", i), "a clinician")
		}
		clinicians = append(clinicians, ref.ID)
	}
	gone := map[string]bool{} // appointments of the patient that stand in the request themselves
	for i, v := range r.GetVisits() {
		field := fmt.Sprintf("visits[%d]", i)
		d, err := s.demandOf(ctx, c, field, v.GetParts(), v.GetUnplanned(), x.worked)
		if err != nil {
			return nil, err
		}
		if d.patient != "" {
			if q.patient != "" && q.patient != d.patient {
				return nil, fault.State(vw.ErrorReason_ERROR_REASON_DIFFERENT_PATIENTS, r.GetPatient(), field+": the case belongs to another patient")
			}
			q.patient = d.patient
		}
		if v.Minutes != nil {
			d.minutes = int(v.GetMinutes())
			if err := onGrid(field+".minutes", d.minutes, x.worked); err != nil {
				return nil, err
			}
		} else if d.minutes > diary.LongestVisit {
			return nil, fault.Invalid(vw.ErrorReason_ERROR_REASON_LENGTH_OFF_GRID, field+".parts", "teeth that fit one visit of at most 8 hours together")
		}
		t := toPlace{demand: d, ifNeeded: v.GetIfNeeded(), visit: d.visit(x.worked, w.GetUrgent())}
		t.visit.Clinicians = clinicians
		if t.fixed, err = s.fixedPlace(ctx, c, field, v, &t, i, x, gone); err != nil {
			return nil, err
		}
		q.visits = append(q.visits, t)
	}
	if err := s.before(ctx, c, q, x); err != nil {
		return nil, err
	}
	if q.patient != "" {
		if q.req.Patient, err = s.busy(ctx, c, q.patient, gone, x); err != nil {
			return nil, err
		}
	}
	if err := q.arrange(x); err != nil {
		return nil, err
	}
	return q, s.afterBooked(ctx, c, q, x)
}

// afterBooked lets what is sought behind an appointment count from the last visit
// before it that is known: the tooth may have been seen again since, or the
// appointment may be that of another tooth.
func (s *Diary) afterBooked(ctx context.Context, c Caller, q *question, x *snapshot) error {
	n := len(q.req.Chosen)
	if n == 0 {
		return nil // before has found it
	}
	q.from = civil.Date{}
	if !q.visits[n-1].booked {
		return nil
	}
	prev, err := s.previous(ctx, c, q.visits[n].demand, x)
	if err != nil || prev == nil {
		return err
	}
	p := placeOfKept(*prev, x.zone(), n-1)
	q.from = p.Day
	if last := &q.req.Chosen[n-1]; p.Chair.Start.After(last.Chair.Start) {
		last.Chair = p.Chair
		if p.Clinician != "" {
			last.Clinician = p.Clinician
		}
	}
	return nil
}

// fixedPlace is where a visit is already; nil when it is to be placed.
func (s *Diary) fixedPlace(ctx context.Context, c Caller, field string, v *vw.VisitToPlace, t *toPlace, i int, x *snapshot, gone map[string]bool) (*diary.Place, error) {
	switch {
	case v.GetFixed() != nil && v.GetAppointment() != "":
		return nil, invalidField(field+".appointment", "nothing beside fixed")
	case v.GetAppointment() != "":
		id, err := c.appointment(field+".appointment", v.GetAppointment())
		if err != nil {
			return nil, err
		}
		a, err := s.store.GetAppointment(ctx, c.Reading(), id)
		if err != nil {
			return nil, s.fault(err, c, nil)
		}
		gone[a.ID], t.booked = true, true
		p := placeOfKept(a, x.zone(), i)
		p.Holds = nil // the masks hold them already
		return &p, nil
	case v.GetFixed() != nil:
		p, err := s.choose(c, field+".fixed", v.GetFixed(), x)
		if err != nil {
			return nil, err
		}
		if err := s.fill(p, t.visit, t.clinician, x); err != nil {
			return nil, s.fault(err, c, nil)
		}
		place := p.placed(&t.visit, i)
		return &place, nil
	}
	return nil, nil
}

// before finds the day that the first visit's window counts from, and the
// clinician whom the patient knows.
func (s *Diary) before(ctx context.Context, c Caller, q *question, x *snapshot) error {
	first := q.visits[0].demand
	q.req.Seen = first.clinician
	if first.clinician != "" { // who treats the case comes before others who are free as well
		q.req.Continuity = max(q.req.Continuity, diary.PreferSame)
	}
	if !first.anchor.IsZero() {
		q.req.Anchor = first.anchor
	}
	prev, err := s.previous(ctx, c, first, x)
	if err != nil || prev == nil {
		return err
	}
	p := placeOfKept(*prev, x.zone(), 0)
	q.req.Anchor, q.from = p.Day, p.Day
	if p.Clinician != "" {
		q.req.Seen = p.Clinician
	}
	q.req.Continuity = max(q.req.Continuity, diary.PreferSame)
	return nil
}

// previous is the last appointment of the plan's visits before; nil when there
// is none. The first visit of a plan that was made anew during treatment follows
// the last visit that took place: its window counts from that one. A visit that
// the chair's record alone knows counts as well.
func (s *Diary) previous(ctx context.Context, c Caller, d *demand, x *snapshot) (*store.Appointment, error) {
	var last *store.Appointment
	for _, of := range d.cases {
		if of.Visit < 2 && (of.Revision < 2 || d.window == diary.AnyDay) {
			continue
		}
		all, err := s.ofCase(ctx, c, of.CaseID, x)
		if err != nil {
			return nil, err
		}
		for i, a := range all {
			n := visitOf(a, of.CaseID)
			follows := n > 0 && n < of.Visit
			if of.Visit == 1 {
				follows = s.tookPlace(a, of)
			}
			if follows && (last == nil || a.Start.After(last.Start)) {
				last = &all[i]
			}
		}
		if last == nil || !last.Start.After(s.now()) {
			if last, err = s.laterInChair(ctx, c, of, last); err != nil {
				return nil, err
			}
		}
	}
	return last, nil
}

// laterInChair is the last visit before that the chair's record knows, where it
// is later than the last appointment: a patient may have come without one.
func (s *Diary) laterInChair(ctx context.Context, c Caller, of store.VisitOf, last *store.Appointment) (*store.Appointment, error) {
	visits, _, err := s.store.ListChairVisits(ctx, c.Reading(), of.CaseID, store.Page{})
	if err != nil {
		return nil, s.fault(err, c, nil)
	}
	for _, v := range visits {
		if v.Revision > of.Revision || v.Revision == of.Revision && v.Planned >= of.Visit || len(v.Marks) == 0 {
			continue
		}
		end := v.Marks[0].At
		for _, m := range v.Marks {
			if m.Kind == store.MarkEnd {
				end = m.At
			}
		}
		if last == nil || end.After(last.End) {
			// Its day is what counts; a place in the diary has some length.
			last = &store.Appointment{Start: end, End: end.Add(time.Minute), State: store.StateLeft}
			if v.Clinician != "" {
				last.Spans = []store.Span{{ResourceRef: store.ResourceRef{Kind: store.KindClinician, ID: v.Clinician}, Start: end, End: end}}
			}
		}
	}
	return last, nil
}

// tookPlace reports whether an appointment was a visit of the case by an earlier
// plan, and has begun.
func (s *Diary) tookPlace(a store.Appointment, of store.VisitOf) bool {
	if a.State != store.StateLeft && a.State != store.StateInChair || a.Start.After(s.now()) {
		return false
	}
	return slices.ContainsFunc(a.Cases, func(v store.VisitOf) bool {
		return v.CaseID == of.CaseID && v.Visit > 0 && v.Revision < of.Revision
	})
}

// caseReach is how far back and ahead the appointments of a case are looked for.
const caseReach = 199 * 24 * time.Hour

// ofCase lists what a case has in the diary that holds its place or took place.
func (s *Diary) ofCase(ctx context.Context, c Caller, caseID string, x *snapshot) ([]store.Appointment, error) {
	now := s.now()
	past, err := s.appointmentsBetween(ctx, c, store.AppointmentQuery{From: now.Add(-caseReach), To: now.Add(caseReach), CaseID: caseID})
	if err != nil {
		return nil, err
	}
	later, err := s.appointmentsBetween(ctx, c, store.AppointmentQuery{From: now.Add(caseReach), To: x.zone().Day(x.masks.Days().Last).End, CaseID: caseID})
	for _, a := range later {
		if !slices.ContainsFunc(past, func(b store.Appointment) bool { return a.ID == b.ID }) {
			past = append(past, a)
		}
	}
	return past, err
}

// visitOf is which visit of a case an appointment is; 0 when it is none.
func visitOf(a store.Appointment, caseID string) int {
	for _, v := range a.Cases {
		if v.CaseID == caseID {
			return v.Visit
		}
	}
	return 0
}

// busy lists the patient's other appointments ahead.
func (s *Diary) busy(ctx context.Context, c Caller, patient string, without map[string]bool, x *snapshot) ([]civil.Interval, error) {
	all, err := s.appointmentsIn(ctx, c, x.masks.Days(), store.AppointmentQuery{PatientID: patient}, x.zone())
	if err != nil {
		return nil, err
	}
	var out []civil.Interval
	for _, a := range all {
		if !without[a.ID] && len(out) < diary.MostPatient {
			out = append(out, civil.Interval{Start: a.Start, End: a.End})
		}
	}
	return out, nil
}

// arrange turns the visits into a request of the pure diary: those that are
// fixed come first, or one visit is placed before one that is.
func (q *question) arrange(x *snapshot) error {
	fixed := 0
	for fixed < len(q.visits) && q.visits[fixed].fixed != nil {
		fixed++
	}
	rest := slices.ContainsFunc(q.visits[fixed:], func(t toPlace) bool { return t.fixed != nil })
	switch {
	case fixed == len(q.visits):
		return invalidField("visits", "at least one visit that has no place yet")
	case !rest:
		for _, t := range q.visits[:fixed] {
			q.req.Chosen = append(q.req.Chosen, *t.fixed)
		}
		for _, t := range q.visits {
			q.req.Visits = append(q.req.Visits, t.visit)
		}
	case fixed == 0 && len(q.visits) == 2:
		q.before = true
		after := q.visits[1]
		q.req.Visits = []diary.Visit{q.visits[0].visit}
		q.req.Patient = append(q.req.Patient, after.fixed.Chair)
		if w := after.visit.Window; w.Latest != diary.NoLatest {
			q.req.Wishes.NotBefore = later(q.req.Wishes.NotBefore, after.fixed.Day.AddDays(-w.Latest))
		}
		latest := after.fixed.Day.AddDays(-max(1, after.visit.Window.Earliest))
		if q.req.Wishes.NotAfter.IsZero() || latest.Before(q.req.Wishes.NotAfter) {
			q.req.Wishes.NotAfter = latest
		}
		if q.req.Wishes.NotAfter.Before(q.req.Wishes.NotBefore) || latest.Before(x.masks.Days().First) {
			return fault.State(vw.ErrorReason_ERROR_REASON_OUTSIDE_WINDOW, "", "no day lies before the fixed visit, inside its return window and after not_before")
		}
	default:
		return invalidField("visits", "fixed visits before those to be placed, or one visit before one that is fixed")
	}
	if len(q.visits) > 1 {
		q.req.Continuity = max(q.req.Continuity, diary.PreferSame)
	}
	return nil
}

func later(a, b civil.Date) civil.Date {
	if a.IsZero() || a.Before(b) {
		return b
	}
	return a
}

func (q *question) search(x *snapshot) ([]diary.Offer, error) {
	got, err := x.masks.Search(&q.req)
	return got.Offers, err
}

// wishesFromProto reads what patient and practice ask of the places.
func (s *Diary) wishesFromProto(c Caller, w *vw.OfferWishes, x *snapshot, req *diary.Request) error {
	days := x.masks.Days()
	var err error
	if req.Wishes.NotBefore, err = dateFromProto("wishes.not_before", w.GetNotBefore()); err != nil {
		return err
	}
	if req.Wishes.NotAfter, err = dateFromProto("wishes.not_after", w.GetNotAfter()); err != nil {
		return err
	}
	for field, d := range map[string]civil.Date{"wishes.not_before": req.Wishes.NotBefore, "wishes.not_after": req.Wishes.NotAfter} {
		if d.After(days.Last) {
			return fault.Invalid(vw.ErrorReason_ERROR_REASON_RANGE_TOO_LONG, field, "a day within a year from today")
		}
	}
	if nb, na := req.Wishes.NotBefore, req.Wishes.NotAfter; !na.IsZero() && na.Before(later(nb, days.First)) {
		return fault.Invalid(vw.ErrorReason_ERROR_REASON_END_BEFORE_START, "wishes.not_after", "a day that is neither before not_before nor past")
	}
	suit := diary.WeekdaySet(0)
	for _, d := range w.GetWeekdays() {
		suit |= diary.On(time.Weekday(int(d) % 7))
	}
	if suit == 0 {
		suit = diary.EveryDay
	}
	for i, t := range w.GetTimes() {
		field := fmt.Sprintf("wishes.times[%d]", i)
		switch {
		case t.GetToMinute() <= t.GetFromMinute():
			return fault.Invalid(vw.ErrorReason_ERROR_REASON_END_BEFORE_START, field+".to_minute", "a minute after from_minute")
		case t.GetFromMinute()%diary.Grid != 0 || t.GetToMinute()%diary.Grid != 0:
			return invalidField(field+".from_minute", fmt.Sprintf("times on the grid of %d minutes", diary.Grid))
		}
		req.Wishes.Suits = append(req.Wishes.Suits, diary.Suit{Days: suit, Span: civil.Span{From: civil.TimeOfDay(t.GetFromMinute()), To: civil.TimeOfDay(t.GetToMinute())}, Accompanied: w.GetAccompanied()})
	}
	if len(req.Wishes.Suits) == 0 && suit != diary.EveryDay {
		req.Wishes.Suits = []diary.Suit{{Days: suit, Span: civil.Span{From: 0, To: civil.EndOfDay}, Accompanied: w.GetAccompanied()}}
	}
	for i, e := range w.GetExcluded() {
		r, err := rangeFromProto(fmt.Sprintf("wishes.excluded[%d]", i), e, 400)
		if err != nil {
			return err
		}
		req.Wishes.Not = append(req.Wishes.Not, r)
	}
	if w.GetSameClinician() {
		req.Continuity = diary.RequireSame
	}
	req.FirstAvailable, req.OtherDays = w.GetFirstAvailable(), w.GetOtherDays()
	if w.GetUrgent() {
		req.Urgency = diary.Urgent
	}
	return nil
}
