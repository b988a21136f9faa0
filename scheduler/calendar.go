package scheduler

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"slices"
	"strings"
	"time"
	"unicode"

	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/scheduler/civil"
	"github.com/visitwright/visitwright/scheduler/ical"
	"github.com/visitwright/visitwright/store"
)

const (
	calendarType    = "text/calendar; charset=utf-8"
	calendarProduct = "-//Visitwright//Diary//EN"
	calendarRefresh = 15 * time.Minute
	calendarBack    = 30  // days that a feed looks back
	calendarDays    = 366 // most days of a feed
)

// ExportCalendar exports appointments as a calendar object: one, one booking,
// or the feed of a clinician or a resource. A patient appears by the practice's
// own reference alone.
func (s *Diary) ExportCalendar(ctx context.Context, r *vw.ExportCalendarRequest) (*vw.ExportCalendarResponse, error) {
	caller, err := s.who(ctx)
	if err != nil {
		return nil, err
	}
	x, err := s.current(ctx, caller)
	if err != nil {
		return nil, err
	}
	c := ical.Calendar{Product: calendarProduct}
	var list []store.Appointment
	switch name := r.GetName(); {
	case strings.Contains(name, "/appointments/"):
		a, err := s.kept(ctx, caller, "name", name)
		if err != nil {
			return nil, err
		}
		list = []store.Appointment{a}
	case strings.Contains(name, "/bookings/"):
		n, err := caller.One(names.BookingPattern, "name", name, vw.ErrorReason_ERROR_REASON_BOOKING_NOT_FOUND)
		if err != nil {
			return nil, err
		}
		b, err := s.store.GetBooking(ctx, caller.Call, n.ID)
		if err != nil {
			return nil, s.fault(err, caller, nil)
		}
		list = b.Appointments
	default:
		owner, err := s.ownerNow(ctx, caller, "name", name)
		if err != nil {
			return nil, err
		}
		days := s.feedDays(x)
		if r.GetDays() != nil {
			if days, err = rangeFromProto("days", r.GetDays(), calendarDays); err != nil {
				return nil, err
			}
		}
		if list, err = s.feed(ctx, caller, owner, days, x, &c); err != nil {
			return nil, err
		}
	}
	if c.Events, err = s.events(ctx, caller, list, x); err != nil {
		return nil, err
	}
	if c.Refresh == 0 && len(c.Events) > 0 {
		c.Method = ical.Publish
		if !slices.ContainsFunc(c.Events, func(e ical.Event) bool { return e.Status != ical.Cancelled }) {
			c.Method = ical.Cancel
		}
		for i := range c.Events {
			// RFC 5546 wants an organizer beside a method; the practice's own
			// address is not ours to give away.
			c.Events[i].Organizer = "urn:visitwright:" + caller.Practice
		}
	}
	return encoded(c)
}

// encoded is the calendar as it is sent.
func encoded(c ical.Calendar) (*vw.ExportCalendarResponse, error) {
	body, err := c.Encode()
	if err != nil {
		return nil, err
	}
	sum := sha256.Sum256(body)
	return &vw.ExportCalendarResponse{ContentType: calendarType, Calendar: body, Etag: `"` + hex.EncodeToString(sum[:8]) + `"`}, nil
}

// feed lists what a clinician or a resource has, also what was cancelled, so
// that a subscriber hears of it.
func (s *Diary) feed(ctx context.Context, c Caller, owner store.ResourceRef, days civil.DateRange, x *snapshot, out *ical.Calendar) ([]store.Appointment, error) {
	out.Name, out.Refresh = visible(x.named(owner.ID)), calendarRefresh
	return s.appointmentsIn(ctx, c, days, store.AppointmentQuery{Resource: owner, All: true}, x.zone())
}

// feedDays is what a feed shows when nobody says which days.
func (s *Diary) feedDays(x *snapshot) civil.DateRange {
	today := x.zone().Date(s.now())
	return civil.DateRange{First: today.AddDays(-calendarBack), Last: today.AddDays(calendarDays - calendarBack - 1)}
}

func (s *Diary) events(ctx context.Context, c Caller, list []store.Appointment, x *snapshot) ([]ical.Event, error) {
	var patients []string
	for _, a := range list {
		if a.PatientID != "" {
			patients = append(patients, a.PatientID)
		}
	}
	slices.Sort(patients)
	references, err := s.store.PatientReferences(ctx, c.Reading(), slices.Compact(patients))
	if err != nil {
		return nil, s.fault(err, c, nil)
	}
	rooms := map[string]string{}
	for _, r := range x.setup.Resources {
		rooms[r.ID] = visible(r.Name)
	}
	out := make([]ical.Event, 0, len(list))
	for _, a := range list {
		e := ical.Event{UID: a.ID + "@" + c.Practice + ".visitwright", Sequence: a.Sequence, Status: calendarStatus(a.State), Start: a.Start, End: a.End,
			Stamp: a.UpdateTime, Summary: "Appointment"}
		if ref := references[a.PatientID]; ref != "" {
			e.Summary = "Appointment " + visible(ref)
		}
		for _, p := range a.Spans {
			if p.Kind == store.KindRoom {
				e.Location = rooms[p.ID]
			}
		}
		out = append(out, e)
	}
	return out, nil
}

func calendarStatus(state store.AppointmentState) ical.Status {
	switch state {
	case store.StateProvisional:
		return ical.Tentative
	case store.StateCancelled, store.StateExpired, store.StateReleased:
		return ical.Cancelled
	}
	return ical.Confirmed
}

// visible leaves out control characters, which no calendar object can hold.
func visible(text string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsControl(r) {
			return -1
		}
		return r
	}, text)
}
