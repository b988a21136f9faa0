package store

import (
	"context"
	"slices"
	"strconv"
	"time"
)

// nextStates is the life of an appointment. What it does not name is refused.
var nextStates = map[AppointmentState][]AppointmentState{
	StateProvisional:  {StateBooked, StateCancelled},
	StateBooked:       {StateArrived, StateInChair, StateDidNotAttend, StateCancelled, StateReleased},
	StateArrived:      {StateInChair, StateLeft, StateBooked, StateCancelled},
	StateInChair:      {StateLeft, StateArrived},
	StateLeft:         {StateInChair},              // corrects a mark made too early
	StateDidNotAttend: {StateBooked, StateArrived}, // came after all, if the place is still free
}

// externalStates are the marks that the practice makes on an appointment whose
// master is another system.
var externalStates = []AppointmentState{StateArrived, StateInChair, StateLeft, StateDidNotAttend}

var stmtAppointmentsOfCase = reads("appointments of case open", `
	SELECT c.appointment_id FROM appointment_cases c JOIN appointments a ON a.practice_id = c.practice_id AND a.id = c.appointment_id
	WHERE c.practice_id = ?1 AND c.case_id = ?2 AND a.state IN ('provisional', 'booked') AND (a.due_us = 0 OR a.due_us > ?3) AND NOT EXISTS (
		SELECT 1 FROM appointment_cases o JOIN cases k ON k.practice_id = o.practice_id AND k.id = o.case_id
		WHERE o.practice_id = ?1 AND o.appointment_id = c.appointment_id AND o.case_id <> ?2 AND k.state <> 'closed')
	ORDER BY c.appointment_id`)

// Nobody comes for the other teeth of a patient who has died either.
var stmtAppointmentsOfDead = reads("appointments of patient open", `
	SELECT id FROM appointments
	WHERE practice_id = ?1 AND patient_id = (SELECT patient_id FROM cases WHERE practice_id = ?1 AND id = ?2) AND origin = 'own'
	AND state IN ('provisional', 'booked') AND (due_us = 0 OR due_us > ?3) ORDER BY id`)

// endingWith finds what ends with a case that is closed for a reason.
func endingWith(reason ClosingReason) *statement {
	if reason == ClosedDied {
		return stmtAppointmentsOfDead
	}
	return stmtAppointmentsOfCase
}

func checkChange(c StateChange) error {
	switch {
	case c.To == StateCancelled && c.Reason == "":
		return invalid("reason", "why it is cancelled")
	case len(c.Reason) > 64:
		return invalid("reason", "a catalogue id of at most 64 bytes")
	case c.LateMinutes < 0 || c.LateMinutes > 600:
		return invalid("late_minutes", "0 to 600")
	case c.LateMinutes > 0 && c.To != StateArrived && c.To != StateInChair:
		return invalid("late_minutes", "0, except with arrived or in_chair")
	}
	return nil
}

// ChangeAppointment takes one appointment to its next state.
func (s *Store) ChangeAppointment(ctx context.Context, call Call, c StateChange) (Appointment, error) {
	if err := checkChange(c); err != nil {
		return Appointment{}, err
	}
	var all []wanted
	out, err := write(ctx, s, call, func(t *tx) (Appointment, error) {
		if err := t.endDue(ctx); err != nil {
			return Appointment{}, err
		}
		a, w, err := t.changeState(ctx, c)
		all = w
		return a, err
	})
	if err != nil {
		return Appointment{}, s.explain(ctx, call, all, []string{c.ID}, err)
	}
	return out, nil
}

// changeState does one change inside a transaction and returns the spans that
// it takes anew.
func (t *tx) changeState(ctx context.Context, c StateChange) (Appointment, []wanted, error) {
	a, row, err := t.lockAppointment(ctx, c.ID, c.Etag)
	if err != nil {
		return a, nil, err
	}
	name := "appointments/" + a.ID
	if a.State == StateExpired {
		return a, nil, &Problem{Kind: ErrExpired, Resource: name, Want: "a new booking"}
	}
	if !slices.Contains(nextStates[a.State], c.To) {
		return a, nil, wrongState(name, "a step from "+string(a.State)+" that exists")
	}
	if c.To == StateReleased && !a.IfNeeded {
		return a, nil, wrongState(name, "an appointment booked if needed")
	}
	if a.Origin == OriginExternal && !slices.Contains(externalStates, c.To) {
		return a, nil, wrongState(name, "a change in the system that it came from")
	}
	before := a.holds()
	fields := []string{"state"}
	switch c.To {
	case StateArrived:
		a.ArriveTime = t.now
		fields = append(fields, "arrive_time")
	case StateInChair:
		a.ChairTime = t.now
		if a.ArriveTime.IsZero() {
			a.ArriveTime = t.now
		}
		fields = append(fields, "chair_time")
	case StateLeft:
		a.LeaveTime = t.now
		fields = append(fields, "leave_time")
	case StateBooked:
		a.ArriveTime = time.Time{}
	}
	if a.State == StateProvisional && c.To == StateBooked {
		a.HoldUntil = time.Time{}
	}
	if c.LateMinutes > 0 {
		a.LateMinutes = c.LateMinutes
		fields = append(fields, "late_minutes")
	}
	if c.Reason != "" {
		a.Reason = c.Reason
		fields = append(fields, "reason")
	}
	// A calendar hears of what concerns the time: confirmed, cancelled, taken back.
	if c.To == StateBooked || c.To == StateCancelled || c.To == StateReleased {
		a.Sequence++
	}
	a.State = c.To
	var all []wanted
	if before == holdNothing && a.holds() != holdNothing {
		all = a.wanted(1)
	}
	if err := t.updateAppointment(ctx, &a, row); err != nil { // the schema makes the spans follow the state
		return a, all, err
	}
	switch {
	case len(all) > 0:
		t.occupied(a.allSpans())
		if a.Origin == OriginOwn {
			if err := t.freeOfExternal(ctx, all, []string{a.ID}); err != nil {
				return a, all, err
			}
		}
	case before != holdNothing && a.holds() == holdNothing:
		t.freed(a.allSpans())
	}
	t.appointmentChanged(string(a.State), a, fields...)
	return a, all, nil
}

// ConfirmBooking makes a provisional booking firm.
func (s *Store) ConfirmBooking(ctx context.Context, call Call, bookingID string) (Booking, error) {
	return write(ctx, s, call, func(t *tx) (Booking, error) {
		if err := t.lockHead(ctx); err != nil {
			return Booking{}, err
		}
		var rows []appointmentRow
		if err := t.list(ctx, &rows, stmtBookingLock, call.Practice, bookingID); err != nil {
			return Booking{}, err
		}
		name := "bookings/" + bookingID
		if len(rows) == 0 || bookingID == "" {
			return Booking{}, notFound(name)
		}
		out := Booking{ID: bookingID}
		confirmed, expired := 0, false
		for _, row := range rows {
			a, err := s.appointment(call.Practice, row)
			if err != nil {
				return Booking{}, err
			}
			switch {
			case a.State == StateExpired, a.State == StateProvisional && !t.now.Before(a.HoldUntil):
				expired = true
			case a.State == StateProvisional:
				a.State, a.HoldUntil = StateBooked, time.Time{}
				a.Sequence++
				if err := t.updateAppointment(ctx, &a, row); err != nil {
					return Booking{}, err
				}
				t.appointmentChanged("booked", a, "state")
				confirmed++
			}
			out.Appointments = append(out.Appointments, a)
		}
		switch {
		case expired:
			return Booking{}, &Problem{Kind: ErrExpired, Resource: name, Want: "a new booking"}
		case confirmed == 0:
			return Booking{}, wrongState(name, "a provisional booking")
		}
		return out, nil
	})
}

// MoveAppointment puts a provisional or booked appointment elsewhere.
func (s *Store) MoveAppointment(ctx context.Context, call Call, m Move) (Appointment, error) {
	out, err := s.RepairAppointments(ctx, call, Repair{Moves: []Move{m}})
	if err != nil {
		return Appointment{}, err
	}
	return out[0], nil
}

// RepairAppointments makes several moves and cancellations, all or none. Places
// that one of them gives up may be taken by another.
func (s *Store) RepairAppointments(ctx context.Context, call Call, r Repair) ([]Appointment, error) {
	if n := len(r.Moves) + len(r.Cancels); n == 0 || n > maxVisits {
		return nil, invalid("moves", "1 to 16 moves and cancellations")
	}
	for i, m := range r.Moves {
		field := "moves[" + strconv.Itoa(i) + "]"
		if m.Etag == "" {
			return nil, invalid(field+".etag", "the etag of the appointment")
		}
		if err := checkPlace(m.Place, field); err != nil {
			return nil, err
		}
	}
	for _, c := range r.Cancels {
		if c.To != StateCancelled {
			return nil, invalid("cancels.to", "cancelled")
		}
		if err := checkChange(c); err != nil {
			return nil, err
		}
	}
	var all []wanted
	var ids []string
	out, err := write(ctx, s, call, func(t *tx) ([]Appointment, error) {
		all, ids = nil, nil
		if err := t.endDue(ctx); err != nil {
			return nil, err
		}
		if err := t.setupStill(r.SetupVersion); err != nil {
			return nil, err
		}
		var out []Appointment
		for _, c := range r.Cancels {
			a, _, err := t.changeState(ctx, c)
			if err != nil {
				return nil, err
			}
			out = append(out, a)
		}
		moved, err := t.move(ctx, r.Moves, &all, &ids)
		return append(moved, out...), err
	})
	if err != nil {
		return nil, s.explain(ctx, call, all, ids, err)
	}
	return out, nil
}

func (t *tx) move(ctx context.Context, moves []Move, all *[]wanted, ids *[]string) ([]Appointment, error) {
	var spans []Span
	for _, m := range moves {
		spans = append(spans, m.Place.Spans...)
	}
	if len(moves) > 0 {
		if err := t.resourcesThere(ctx, spans, ""); err != nil {
			return nil, err
		}
	}
	var out []Appointment
	for i, m := range moves {
		a, row, err := t.lockAppointment(ctx, m.ID, m.Etag)
		if err != nil {
			return nil, err
		}
		name := "appointments/" + a.ID
		switch {
		case a.State == StateExpired:
			return nil, &Problem{Kind: ErrExpired, Resource: name, Want: "a new booking"}
		case a.Origin == OriginExternal:
			return nil, wrongState(name, "a change in the system that it came from")
		case a.State != StateProvisional && a.State != StateBooked:
			return nil, wrongState(name, "a provisional or booked appointment")
		}
		t.freed(a.allSpans())
		a.place(m.Place)
		if a.IfNeeded && !m.ReleaseTime.IsZero() {
			a.ReleaseTime = m.ReleaseTime.UTC()
		}
		if a.IfNeeded && !a.ReleaseTime.Before(a.Start) {
			return nil, invalid("moves["+strconv.Itoa(i)+"].release_time", "a time before the new start")
		}
		if a.State == StateProvisional {
			a.HoldUntil = heldAtMost(a.HoldUntil, a.Start, t.now)
		}
		if a.Override = m.Override; m.Reason != "" {
			a.Reason = m.Reason
		}
		a.Sequence++
		if err := t.updateAppointment(ctx, &a, row); err != nil {
			return nil, err
		}
		t.occupied(a.allSpans())
		t.appointmentChanged("moved", a, "start", "spans")
		*all = append(*all, a.wanted(i+1)...)
		*ids = append(*ids, a.ID)
		out = append(out, a)
	}
	if refused := among(*all); refused != nil {
		return nil, refused
	}
	if len(*ids) == 0 {
		return out, nil
	}
	if _, err := t.exec(ctx, stmtSpanDrop, t.call.Practice, t.s.textList(*ids)); err != nil {
		return nil, err
	}
	if err := t.putSpans(ctx, *all); err != nil {
		return nil, err
	}
	return out, t.freeOfExternal(ctx, *all, *ids)
}

// cancelOfCase cancels the bookings of a closed case that have not begun, except
// visits that treat another tooth too. When the patient has died it cancels all
// of theirs, and what is due for the other teeth is looked at again.
func (t *tx) cancelOfCase(ctx context.Context, caseID string, reason ClosingReason) ([]string, error) {
	if err := t.endDue(ctx); err != nil {
		return nil, err
	}
	var ids []string
	if err := t.list(ctx, &ids, endingWith(reason), t.call.Practice, caseID, us(t.now)); err != nil {
		return nil, err
	}
	if reason == ClosedDied {
		if _, err := t.exec(ctx, stmtCareNowOfDead, t.call.Practice, caseID); err != nil {
			return nil, err
		}
	}
	for _, id := range ids {
		if _, _, err := t.changeState(ctx, StateChange{ID: id, To: StateCancelled, Reason: "case-closed"}); err != nil {
			return nil, err
		}
	}
	return ids, nil
}

// EndsWithCase lists the appointments that closing the case now, for a reason,
// would cancel.
func (s *Store) EndsWithCase(ctx context.Context, call Call, id string, reason ClosingReason) ([]string, error) {
	var ids []string
	err := s.glance(ctx, call, func(r querier, now time.Time) error {
		return r.list(ctx, &ids, endingWith(reason), call.Practice, id, us(now))
	})
	return ids, err
}
