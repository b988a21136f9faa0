package scheduler

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"google.golang.org/grpc/codes"

	"github.com/visitwright/visitwright/proto/fault"
	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/scheduler/civil"
	"github.com/visitwright/visitwright/scheduler/diary"
	"github.com/visitwright/visitwright/store"
)

// setupTries bounds how often a place is checked anew because hours, absences
// or resources changed meanwhile.
const setupTries = 4

// errSetupMoves is the answer when they change faster than a place is checked.
var errSetupMoves = &fault.Fault{Code: codes.Aborted, Reason: vw.ErrorReason_ERROR_REASON_CONCURRENT_CHANGE,
	Text: "hours, absences or resources are being changed; try again", RetryAfter: time.Second}

// withSetup runs a booking that was checked by one setup. It is first tried
// with what is at hand; when the store says that the setup has changed, the
// place is checked anew.
//
// fresh asks for the diary as it is now from the start: for places whose people
// and rooms are picked here. When one of them is taken in that moment, another
// is picked.
func withSetup[T any](ctx context.Context, s *Diary, c Caller, fresh bool, book func(x *snapshot) (T, error)) (T, error) {
	var none T
	look := s.lately
	if fresh {
		look = s.snapshot
	}
	x, err := look(ctx, c.Reading())
	if err != nil {
		return none, s.fault(err, c, nil)
	}
	for try := range setupTries {
		out, err := book(x)
		if err == nil {
			return out, nil
		}
		known := (*fault.Fault)(nil)
		again := errors.Is(err, store.ErrSetupChanged) || fresh && try+1 < setupTries && errors.Is(err, errPickedTaken)
		// Refused by hours that may be old: look once more with fresh ones.
		stale := errors.As(err, &known) && staleReason(known.Reason)
		if !again && !stale {
			return none, err
		}
		now, failed := s.snapshot(ctx, c.Reading())
		if failed != nil {
			return none, s.fault(failed, c, nil)
		}
		if !again && now.setup.Version == x.setup.Version {
			return none, err
		}
		x = now
	}
	return none, errSetupMoves
}

// errPickedTaken marks the refusal of a place whose people and rooms were picked
// here, and not by the caller.
var errPickedTaken = errors.New("what was picked was taken meanwhile")

// picks reports whether something of the places is left to pick.
func picks(places []*vw.PlaceToBook) bool {
	return slices.ContainsFunc(places, func(p *vw.PlaceToBook) bool { return len(p.GetPlace().GetHolds()) < 2 })
}

// staleReason reports refusals that follow from hours, absences and resources.
func staleReason(r vw.ErrorReason) bool {
	switch r {
	case vw.ErrorReason_ERROR_REASON_OUTSIDE_HOURS, vw.ErrorReason_ERROR_REASON_CLOSED, vw.ErrorReason_ERROR_REASON_WRONG_RESOURCE,
		vw.ErrorReason_ERROR_REASON_RESOURCE_NOT_FOUND, vw.ErrorReason_ERROR_REASON_CLINICIAN_NOT_FOUND, vw.ErrorReason_ERROR_REASON_LENGTH_OFF_GRID:
		return true
	}
	return false
}

// BookOffer books all places or none, firmly or provisionally.
func (s *Diary) BookOffer(ctx context.Context, r *vw.BookOfferRequest) (*vw.Booking, error) {
	caller, err := s.writer(ctx, r)
	if err == nil {
		err = caller.Within("parent", r.GetParent())
	}
	if err != nil {
		return nil, err
	}
	patient, err := caller.patient("patient", r.GetPatient())
	if err != nil {
		return nil, err
	}
	places, token, err := s.placesToBook(caller, r)
	if err != nil {
		return nil, err
	}
	why, err := occasionFromProto(r.GetOccasion())
	if err != nil {
		return nil, err
	}
	fresh := picks(places) || r.GetValidateOnly()
	return withSetup(ctx, s, caller, fresh, func(x *snapshot) (*vw.Booking, error) {
		n, warnings, err := s.newBooking(ctx, caller, patient, places, token, x)
		if err != nil {
			return nil, err
		}
		n.HoldFor = time.Duration(r.GetKeepMinutes()) * time.Minute
		if why != nil {
			first := extrasOf(n.Visits[0].Document)
			first.Occasion = why
			n.Visits[0].Document = first.document()
		}
		if r.GetValidateOnly() {
			return s.previewBooking(ctx, caller, n, warnings, x)
		}
		kept, err := s.store.BookOffer(ctx, caller.Call, n)
		if errors.Is(err, store.ErrSetupChanged) {
			return nil, err
		}
		if err != nil {
			var t *store.Taken
			if told := s.fault(err, caller, fault.Paths{"visits": "places", "hold_for": "keep_minutes"}); !fresh || !errors.As(err, &t) || t.Kind == store.KindPatient {
				return nil, told
			} else if f := (*fault.Fault)(nil); asFault(told, &f) {
				return nil, f.Because(errPickedTaken)
			}
			return nil, err
		}
		return bookingToProto(caller.Practice, kept), nil
	})
}

// placesToBook are the places of the request or of its offer, which is nil
// without a token. Those of an offer are as they were offered, so that their
// windows need no second look, unless the visit has moved that they count from.
func (s *Diary) placesToBook(c Caller, r *vw.BookOfferRequest) ([]*vw.PlaceToBook, *offered, error) {
	switch {
	case r.GetOfferToken() != "" && len(r.GetPlaces()) > 0:
		return nil, nil, invalidField("places", "nothing beside offer_token")
	case r.GetOfferToken() == "" && len(r.GetPlaces()) == 0:
		return nil, nil, invalidField("places", "at least one place, or an offer_token")
	case r.GetOfferToken() == "":
		return r.GetPlaces(), nil, nil
	}
	o, err := s.seals.openOffer(c.Practice, r.GetOfferToken())
	if err != nil {
		return nil, nil, invalidField("offer_token", "the token of an offer of this practice").Because(err)
	}
	if o.GetPatient() != "" && o.GetPatient() != r.GetPatient() {
		return nil, nil, fault.State(vw.ErrorReason_ERROR_REASON_DIFFERENT_PATIENTS, r.GetPatient(), "the offer was made for another patient")
	}
	return o.GetPlaces(), &o, nil
}

// stillFrom refuses an offer whose visit before has moved to another day since.
func (s *Diary) stillFrom(ctx context.Context, c Caller, o *offered, d *demand, x *snapshot) error {
	if o.from.IsZero() {
		return nil
	}
	asks := *d
	asks.window = diary.Window{} // it has one, which the offer has kept
	prev, err := s.previous(ctx, c, &asks, x)
	if err != nil || prev == nil {
		return err
	}
	if now := x.zone().Date(prev.Start); now != o.from {
		return fault.State(vw.ErrorReason_ERROR_REASON_OUTSIDE_WINDOW, "",
			"the visit before has moved from "+o.from.Words()+" to "+now.Words()+" since the offer was made: look for places anew").With("field", "offer_token")
	}
	return nil
}

// newBooking checks every place and says what the store is to keep.
func (s *Diary) newBooking(ctx context.Context, c Caller, patient string, places []*vw.PlaceToBook, token *offered, x *snapshot) (store.NewBooking, []diary.Warning, error) {
	n := store.NewBooking{PatientID: patient, SetupVersion: x.setup.Version}
	var warnings []diary.Warning
	all, err := s.askedTogether(ctx, c, patient, places, token != nil, x)
	if err == nil && token != nil {
		err = s.stillFrom(ctx, c, token, all[0].demand, x)
	}
	if err != nil {
		return n, nil, err
	}
	seen := ""
	for i, p := range places {
		var anchor civil.Date // an offer's windows were settled when it was made
		if token == nil {
			if anchor, err = s.counted(ctx, c, i, all, x); err != nil {
				return n, nil, err
			}
		}
		v, w, err := s.newVisit(c, fmt.Sprintf("places[%d]", i), p, all[i].demand, token != nil, anchor, seen, x)
		if err != nil {
			return n, nil, err
		}
		warnings = append(warnings, w...)
		for _, span := range v.Spans {
			if span.Kind == store.KindClinician {
				seen = span.ID
			}
		}
		n.Visits = append(n.Visits, v)
	}
	slices.SortStableFunc(n.Visits, func(a, b store.NewVisit) int { return cmp.Compare(a.Start.Unix(), b.Start.Unix()) })
	return n, warnings, nil
}

// asked is one place of a booking: what it is for, and on which day.
type asked struct {
	*demand
	day civil.Date
}

// askedTogether reads all places of a booking before one of them is judged: the
// window of a visit counts from the visit before it, wherever that one is named.
func (s *Diary) askedTogether(ctx context.Context, c Caller, patient string, places []*vw.PlaceToBook, offered bool, x *snapshot) ([]asked, error) {
	out := make([]asked, len(places))
	for i, p := range places {
		field := fmt.Sprintf("places[%d]", i)
		var err error
		if offered {
			out[i].demand, err = offeredDemand(c, p)
		} else {
			out[i].demand, err = s.demandOf(ctx, c, field, p.GetParts(), p.GetUnplanned(), x.worked)
		}
		if err != nil {
			return nil, err
		}
		if of := out[i].patient; of != "" && of != patient {
			return nil, fault.State(vw.ErrorReason_ERROR_REASON_DIFFERENT_PATIENTS, names.Patient(c.Practice, patient), field+": the case belongs to another patient")
		}
		local, zone, err := s.localFromProto(field+".place.start", p.GetPlace().GetStart(), x.zone())
		if err != nil {
			return nil, err
		}
		out[i].day = x.zone().Date(zone.Resolve(local))
	}
	return out, nil
}

// counted is the day that the window of place i counts from: that of the same
// tooth's visit before, in this booking or in the diary; the later one where
// several teeth share the visit.
func (s *Diary) counted(ctx context.Context, c Caller, i int, all []asked, x *snapshot) (civil.Date, error) {
	d := all[i].demand
	alone := *d // the teeth whose visit before is not in this booking
	alone.cases = nil
	var day civil.Date
	for _, of := range d.cases {
		number := 0
		var before civil.Date
		for _, o := range all {
			if n := o.visitOf(of.CaseID); n > number && n < of.Visit {
				number, before = n, o.day
			}
		}
		if number == 0 {
			alone.cases = append(alone.cases, of)
			continue
		}
		day = later(day, before)
	}
	if len(alone.cases) == 0 {
		return later(day, d.anchor), nil
	}
	prev, err := s.previous(ctx, c, &alone, x)
	if err != nil || prev == nil {
		return later(day, d.anchor), err
	}
	return later(day, x.zone().Date(prev.Start)), nil
}

func (s *Diary) newVisit(c Caller, field string, p *vw.PlaceToBook, d *demand, offered bool, anchor civil.Date, seen string, x *snapshot) (store.NewVisit, []diary.Warning, error) {
	var v store.NewVisit
	override, err := c.decides(field+".override", p.GetOverride())
	if err != nil {
		return v, nil, err
	}
	if seen == "" {
		seen = d.clinician
	}
	one, err := s.lookFrom(c, field+".place", p.GetPlace(), d, anchor, seen, nil, x)
	if err != nil {
		return v, nil, err
	}
	warnings := one.warnings
	if offered {
		// Whoever may do it was settled when it was offered.
		warnings = slices.DeleteFunc(slices.Clone(warnings), func(w diary.Warning) bool {
			return w.Code == diary.WarnProtocol || w.Code == diary.WarnRoom || w.Code == diary.WarnTooSoon || w.Code == diary.WarnTooLate
		})
	}
	if err := refused(c, field+".place", warnings, override != nil, x); err != nil {
		return v, nil, err
	}
	v = store.NewVisit{Place: keptPlace(one.place, x.zone()), Cases: d.cases, IfNeeded: p.GetIfNeeded(), Override: override}
	if d.unplanned {
		v.Document = extras{Protocol: d.protocol}.document()
	}
	if v.IfNeeded {
		if v.ReleaseTime, err = s.release(field+".if_needed", one.place, x); err != nil {
			return v, nil, err
		}
	}
	return v, warnings, nil
}

// offeredDemand is what an offer's place says of itself: the revision that it
// was made from never changes.
func offeredDemand(c Caller, p *vw.PlaceToBook) (*demand, error) {
	d := &demand{window: diary.AnyDay, minutes: int(p.GetPlace().GetMinutes()), parts: p.GetParts()}
	for _, part := range p.GetParts() {
		n, err := c.One(names.PlanPattern, "offer_token", part.GetPlan(), vw.ErrorReason_ERROR_REASON_PLAN_NOT_FOUND)
		if err != nil {
			return nil, err
		}
		d.cases = append(d.cases, store.VisitOf{CaseID: n.ID, Revision: n.Number, Option: part.GetOption(), Visit: int(part.GetVisit())})
	}
	if un := p.GetUnplanned(); un != nil {
		d.unplanned, d.protocol = true, un.GetProtocol()
		if un.GetCase() != "" {
			n, err := c.One(names.CasePattern, "offer_token", un.GetCase(), vw.ErrorReason_ERROR_REASON_CASE_NOT_FOUND)
			if err != nil {
				return nil, err
			}
			d.cases = []store.VisitOf{{CaseID: n.ID}}
		}
	}
	return d, nil
}

// release is when a visit that was booked in case it is needed lets its place
// go: the practice's number of days before it, at the same local time.
func (s *Diary) release(field string, p diary.Place, x *snapshot) (time.Time, error) {
	days := int(x.worked.settings.GetIfNeededReleaseDays())
	at := x.zone().Resolve(civil.LocalTime{Date: p.Day.AddDays(-days), Time: p.Local.Time})
	if !at.After(s.now()) || !at.Before(p.Chair.Start) {
		return time.Time{}, invalidField(field, "a visit that is more than "+plural(days, "day")+" ahead: one booked in case it is needed lets its place go so long before it")
	}
	return at, nil
}

// previewBooking is what a booking would be.
func (s *Diary) previewBooking(ctx context.Context, c Caller, n store.NewBooking, warnings []diary.Warning, x *snapshot) (*vw.Booking, error) {
	if _, err := s.store.GetPatient(ctx, c.Reading(), n.PatientID); err != nil {
		return nil, s.fault(err, c, nil)
	}
	busy, err := s.busy(ctx, c, n.PatientID, nil, x)
	if err != nil {
		return nil, err
	}
	for i, v := range n.Visits {
		chair := civil.Interval{Start: v.Start, End: v.End}
		for _, o := range n.Visits[:i] {
			busy = append(busy, civil.Interval{Start: o.Start, End: o.End})
		}
		if slices.ContainsFunc(busy, chair.Overlaps) {
			warnings = append(warnings, diary.Warning{Code: diary.WarnOwn})
		}
	}
	if err := taken(c, "places", warnings); err != nil {
		return nil, err
	}
	b := store.Booking{}
	for _, v := range n.Visits {
		a := store.Appointment{Origin: store.OriginOwn, PatientID: n.PatientID, Cases: v.Cases, State: store.StateBooked, Start: v.Start, End: v.End,
			Zone: v.Zone, Local: v.Local, ZoneVersion: v.ZoneVersion, Spans: v.Spans, IfNeeded: v.IfNeeded, ReleaseTime: v.ReleaseTime, Override: v.Override, Document: v.Document}
		if n.HoldFor > 0 {
			a.State = store.StateProvisional
		}
		b.Appointments = append(b.Appointments, a)
	}
	return bookingToProto(c.Practice, b), nil
}

// ConfirmBooking makes a provisional booking firm.
func (s *Diary) ConfirmBooking(ctx context.Context, r *vw.ConfirmBookingRequest) (*vw.Booking, error) {
	caller, err := s.writer(ctx, r)
	if err != nil {
		return nil, err
	}
	n, err := caller.One(names.BookingPattern, "name", r.GetName(), vw.ErrorReason_ERROR_REASON_BOOKING_NOT_FOUND)
	if err != nil {
		return nil, err
	}
	if r.GetValidateOnly() {
		b, err := s.store.GetBooking(ctx, caller.Reading(), n.ID)
		if err != nil {
			return nil, s.fault(err, caller, nil)
		}
		provisional := false
		for i, a := range b.Appointments {
			switch {
			case a.State == store.StateExpired, a.State == store.StateProvisional && !s.now().Before(a.HoldUntil):
				return nil, fault.State(vw.ErrorReason_ERROR_REASON_PROVISIONAL_EXPIRED, r.GetName(), "the provisional booking has run out: look for places anew")
			case a.State == store.StateProvisional:
				provisional = true
				b.Appointments[i].State, b.Appointments[i].HoldUntil = store.StateBooked, time.Time{}
			}
		}
		if !provisional {
			return nil, fault.State(vw.ErrorReason_ERROR_REASON_WRONG_BOOKING_STATE, r.GetName(), "the booking is firm already or has ended: only a provisional one is confirmed")
		}
		return bookingToProto(caller.Practice, b), nil
	}
	b, err := s.store.ConfirmBooking(ctx, caller.Call, n.ID)
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	return bookingToProto(caller.Practice, b), nil
}

// GetBooking reads what was booked together.
func (s *Diary) GetBooking(ctx context.Context, r *vw.GetBookingRequest) (*vw.Booking, error) {
	caller, err := s.who(ctx)
	if err != nil {
		return nil, err
	}
	n, err := caller.One(names.BookingPattern, "name", r.GetName(), vw.ErrorReason_ERROR_REASON_BOOKING_NOT_FOUND)
	if err != nil {
		return nil, err
	}
	b, err := s.store.GetBooking(ctx, caller.Call, n.ID)
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	return bookingToProto(caller.Practice, b), nil
}
