package store

import (
	"context"
	"slices"
	"strconv"
	"time"
)

// Limits of one booking.
const (
	maxVisits    = 16
	shortestHold = time.Minute
	longestHold  = 7 * 24 * time.Hour
)

var (
	stmtEndDue = writes("end due", `
		UPDATE appointments SET state = CASE state WHEN 'provisional' THEN 'expired' ELSE 'released' END, due_us = 0,
			sequence = sequence + 1, row_version = row_version + 1, update_us = ?2
		WHERE practice_id = ?1 AND due_us > 0 AND due_us <= ?2
		RETURNING `+appointmentColumns)
	stmtDuePractices = reads("due practices", `
		SELECT DISTINCT practice_id FROM appointments WHERE due_us > 0 AND due_us <= ?1 ORDER BY practice_id`)
	// The share lock keeps a case from being closed while it is being booked:
	// closing then finds the new appointment.
	stmtCasesOpen = differs("cases open", `
		SELECT id FROM cases WHERE practice_id = ?1 AND patient_id = ?2 AND state <> 'closed' AND id IN (SELECT value FROM json_each(?3))`, `
		SELECT id FROM cases WHERE practice_id = ?1 AND patient_id = ?2 AND state <> 'closed' AND id = ANY(?3::text[]) FOR SHARE`, true)
)

func checkBooking(b NewBooking) error {
	if len(b.Visits) == 0 || len(b.Visits) > maxVisits {
		return invalid("visits", "1 to 16")
	}
	if b.HoldFor != 0 && (b.HoldFor < shortestHold || b.HoldFor > longestHold) {
		return invalid("hold_for", "1 minute to 7 days, or 0 to book firmly")
	}
	for i, v := range b.Visits {
		field := "visits[" + strconv.Itoa(i) + "]"
		if err := checkPlace(v.Place, field); err != nil {
			return err
		}
		if i > 0 && v.Start.Before(b.Visits[i-1].Start) {
			return invalid(field+".start", "visits in the order of their start")
		}
		if v.IfNeeded != !v.ReleaseTime.IsZero() {
			return invalid(field+".release_time", "a time with if_needed, none without")
		}
		if len(v.Cases) > 8 {
			return invalid(field+".cases", "at most 8 teeth in one visit")
		}
		if len(v.Document) > MaxDocument {
			return invalid(field+".document", "at most 1 MiB")
		}
	}
	return nil
}

// heldAtMost ends a provisional hold at the start of what it holds, if that is
// still to come.
func heldAtMost(until, start, now time.Time) time.Time {
	if start.After(now) && start.Before(until) {
		return start
	}
	return until
}

func checkPlace(p Place, field string) error {
	if err := checkTimes(p.Start, p.End, field+".start"); err != nil {
		return err
	}
	if len(p.Spans) == 0 {
		return invalid(field+".spans", "at least one resource")
	}
	if len(p.Zone) > 64 || len(p.Local) > 32 || len(p.ZoneVersion) > 16 {
		return invalid(field+".zone", "an IANA zone, a local time 2006-01-02T15:04 and a version of the zone database")
	}
	return checkSpans(p.Spans, field+".spans")
}

// BookOffer books all visits or none.
func (s *Store) BookOffer(ctx context.Context, call Call, b NewBooking) (Booking, error) {
	if err := checkBooking(b); err != nil {
		return Booking{}, err
	}
	var all []wanted
	out, err := write(ctx, s, call, func(t *tx) (Booking, error) {
		if err := t.bookable(ctx, b); err != nil {
			return Booking{}, err
		}
		if err := t.endDue(ctx); err != nil {
			return Booking{}, err
		}
		if err := t.setupStill(b.SetupVersion); err != nil {
			return Booking{}, err
		}
		out := Booking{ID: newID(t.now)}
		t.about("bookings/"+out.ID, "visits")
		all = nil
		var list []fresh
		for i, v := range b.Visits {
			a := Appointment{ID: newID(t.now), Booking: out.ID, Origin: OriginOwn, PatientID: b.PatientID, Cases: v.Cases, State: StateBooked,
				IfNeeded: v.IfNeeded, ReleaseTime: v.ReleaseTime, Override: v.Override, Document: v.Document,
				Etag: etag(1), CreateTime: t.now, UpdateTime: t.now}
			a.place(v.Place)
			if b.HoldFor > 0 {
				a.State, a.HoldUntil = StateProvisional, heldAtMost(t.now.Add(b.HoldFor), b.Visits[0].Start, t.now)
			}
			list = append(list, fresh{a, nil})
			all = append(all, a.wanted(i+1)...)
			t.occupied(a.allSpans())
			t.appointmentChanged(string(a.State), a, "state", "start", "spans")
			out.Appointments = append(out.Appointments, a)
		}
		if refused := among(all); refused != nil {
			return Booking{}, refused
		}
		if err := t.putAppointments(ctx, list, all); err != nil {
			return Booking{}, err
		}
		return out, t.freeOfExternal(ctx, all, nil)
	})
	if err != nil {
		return Booking{}, s.explain(ctx, call, all, nil, err)
	}
	return out, nil
}

// setupStill refuses a booking that was checked against hours, absences or
// resources that have changed since. The practice's head is locked by then.
func (t *tx) setupStill(version int64) error {
	if version == 0 {
		return nil
	}
	if t.head.SetupVersion != version {
		return &Problem{Kind: ErrSetupChanged, Resource: "practices/" + t.call.Practice, Want: "the place checked anew"}
	}
	return nil
}

func (a *Appointment) place(p Place) {
	a.Start, a.End, a.Zone, a.Local, a.ZoneVersion = p.Start.UTC(), p.End.UTC(), p.Zone, p.Local, p.ZoneVersion
	a.Spans = slices.Clone(p.Spans)
	for i := range a.Spans {
		a.Spans[i].Start, a.Spans[i].End = a.Spans[i].Start.UTC(), a.Spans[i].End.UTC()
	}
}

// bookable checks that what a booking names is there: the patient, open cases of
// that patient, and resources in use.
func (t *tx) bookable(ctx context.Context, b NewBooking) error {
	var cases []string
	var spans []Span
	for _, v := range b.Visits {
		for _, c := range v.Cases {
			cases = append(cases, c.CaseID)
		}
		spans = append(spans, v.Spans...)
	}
	if len(cases) > 0 {
		if err := t.casesOpen(ctx, b.PatientID, cases); err != nil {
			return err
		}
	}
	if b.PatientID == "" {
		return notFound("patients/")
	}
	return t.resourcesThere(ctx, spans, b.PatientID)
}

func (t *tx) casesOpen(ctx context.Context, patient string, cases []string) error {
	slices.Sort(cases)
	cases = slices.Compact(cases)
	var open []string
	if err := t.list(ctx, &open, stmtCasesOpen, t.call.Practice, patient, t.s.textList(cases)); err != nil {
		return err
	}
	if len(open) == len(cases) {
		return nil
	}
	if err := t.patientThere(ctx, patient); err != nil {
		return err
	}
	for _, id := range cases {
		if slices.Contains(open, id) {
			continue
		}
		row, err := t.caseRow(ctx, id)
		if err != nil {
			return err
		}
		if row.PatientID != patient {
			return notFound("cases/" + id)
		}
		return wrongState("cases/"+id, "an open case; this one is closed")
	}
	return nil
}

// endDue ends what is past its time: provisional bookings expire, "if needed"
// ones are released. Every booking does this first, so that an expired one never
// stands in the way.
//
// It locks the practice's head. Bookings of one practice therefore come one
// after the other: two that collide would otherwise wait for each other inside
// the exclusion constraint until the deadlock timeout of a second. The order of
// locks is the same everywhere: case, head, appointments.
func (t *tx) endDue(ctx context.Context) error {
	if err := t.lockHead(ctx); err != nil || t.head.DueUS == 0 || t.head.DueUS > us(t.now) {
		return err
	}
	var rows []appointmentRow
	if err := t.list(ctx, &rows, stmtEndDue, t.call.Practice, us(t.now)); err != nil {
		return err
	}
	for _, row := range rows {
		a, err := t.s.appointment(t.call.Practice, row)
		if err != nil {
			return err
		}
		t.freed(a.allSpans())
		t.alsoChanged("appointments/"+a.ID, "state")
		t.changed("appointment."+string(a.State), "appointments/"+a.ID, a.Etag)
	}
	return nil
}

// maintenance is who acts when the store does something by itself.
func maintenance(practice, method string) Call {
	return Call{Practice: practice, Actor: "store", Role: "", Method: method}
}

func (s *Store) endDueOf(ctx context.Context, practice string) (int, error) {
	return write(ctx, s, maintenance(practice, "EndExpired"), func(t *tx) (int, error) {
		t.silent = true // each appointment has its own entry
		err := t.endDue(ctx)
		return len(t.also), err
	})
}

// EndExpired ends what is past its time in all practices, and stops after the
// practice in which limit is reached.
func (s *Store) EndExpired(ctx context.Context, limit int) (int, error) {
	q, now, err := s.begin(ctx, everyPractice, true)
	if err != nil {
		return 0, s.clean(ctx, err)
	}
	var practices []string
	err = q.list(ctx, &practices, stmtDuePractices, us(now))
	_ = q.tx.Rollback() // nothing was written
	if err != nil {
		return 0, s.clean(ctx, err)
	}
	total := 0
	for _, p := range practices {
		if total >= limit {
			break
		}
		n, err := s.endDueOf(ctx, p)
		if err != nil {
			return total, err
		}
		total += n
	}
	return total, nil
}
