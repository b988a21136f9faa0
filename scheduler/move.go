package scheduler

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"github.com/visitwright/visitwright/proto/fault"
	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/scheduler/civil"
	"github.com/visitwright/visitwright/scheduler/diary"
	"github.com/visitwright/visitwright/store"
)

// movable refuses an appointment that cannot go elsewhere.
func movable(c Caller, a store.Appointment, etag string) error {
	name := names.Appointment(c.Practice, a.ID)
	switch {
	case a.State == store.StateExpired:
		return fault.State(vw.ErrorReason_ERROR_REASON_PROVISIONAL_EXPIRED, name, "the provisional booking has run out: look for places anew")
	case a.Origin == store.OriginExternal:
		return fault.State(vw.ErrorReason_ERROR_REASON_WRONG_BOOKING_STATE, name, "it was taken in from another system, which is its master: change it there")
	case ended(a.State):
		return fault.State(vw.ErrorReason_ERROR_REASON_BOOKING_ENDED, name, "the appointment was cancelled or has taken place")
	case a.State != store.StateProvisional && a.State != store.StateBooked:
		return fault.State(vw.ErrorReason_ERROR_REASON_WRONG_BOOKING_STATE, name, "only an appointment that has not begun can be moved")
	case a.Etag != etag:
		return staleEtag(name)
	}
	return nil
}

func ended(state store.AppointmentState) bool {
	switch state {
	case store.StateLeft, store.StateCancelled, store.StateExpired, store.StateReleased:
		return true
	}
	return false
}

func (s *Diary) kept(ctx context.Context, c Caller, field, name string) (store.Appointment, error) {
	id, err := c.appointment(field, name)
	if err != nil {
		return store.Appointment{}, err
	}
	a, err := s.store.GetAppointment(ctx, c.Reading(), id)
	return a, s.fault(err, c, nil)
}

// MoveAppointment moves an appointment, says what that does to later visits and
// proposes the repair.
func (s *Diary) MoveAppointment(ctx context.Context, r *vw.MoveAppointmentRequest) (*vw.MoveAppointmentResponse, error) {
	caller, err := s.writer(ctx, r)
	if err != nil {
		return nil, err
	}
	if !s.figures.knows("change-reasons", r.GetReason()) {
		return nil, unknownID("reason", "change-reasons")
	}
	override, err := caller.decides("override", r.GetOverride())
	if err != nil {
		return nil, err
	}
	was, err := s.kept(ctx, caller, "name", r.GetName())
	if err != nil {
		return nil, err
	}
	// A repeated request finds the appointment moved already; the store then
	// gives the first answer again.
	if err := movable(caller, was, r.GetEtag()); err != nil && (caller.RequestID == "" || r.GetValidateOnly()) {
		return nil, err
	}
	return withSetup(ctx, s, caller, true, func(x *snapshot) (*vw.MoveAppointmentResponse, error) {
		full := x
		if x, err = x.without([]store.Appointment{was}); err != nil {
			return nil, err
		}
		d, err := s.demandOfKept(ctx, caller, was, x.worked)
		if err != nil {
			return nil, err
		}
		one, err := s.look(ctx, caller, "place", r.GetPlace(), d, &was, x)
		if err != nil {
			return nil, err
		}
		if err := refused(caller, "place", one.warnings, override != nil, x); err != nil {
			return nil, err
		}
		out := &vw.MoveAppointmentResponse{}
		moved := was
		moved.Start, moved.End, moved.Local = one.place.Chair.Start, one.place.Chair.End, one.place.Local.String()
		moved.Spans, moved.Override, moved.Reason = keptPlace(one.place, x.zone()).Spans, override, r.GetReason()
		if was.IfNeeded {
			if moved.ReleaseTime, err = s.release("place", one.place, x); err != nil {
				return nil, err
			}
		}
		if r.GetValidateOnly() {
			if err := taken(caller, "place", one.warnings); err != nil {
				return nil, err
			}
		} else {
			change := store.Repair{Moves: []store.Move{{ID: was.ID, Etag: r.GetEtag(), Place: keptPlace(one.place, x.zone()), ReleaseTime: moved.ReleaseTime, Override: override, Reason: r.GetReason()}},
				SetupVersion: x.setup.Version}
			all, err := s.store.RepairAppointments(ctx, caller.Call, change)
			if errors.Is(err, store.ErrSetupChanged) {
				return nil, err
			}
			if err != nil {
				return nil, s.fault(err, caller, fault.Paths{"moves[0]": "place", "moves": "place"})
			}
			moved = all[0]
		}
		out.Appointment = appointmentToProto(caller.Practice, moved)
		effects, later, err := s.effects(ctx, caller, d, one.place, &was, full)
		if err != nil {
			return nil, err
		}
		out.Effects = effects
		busy, err := s.busyWithout(ctx, caller, d.patient, &was, later, x)
		if err != nil {
			return nil, err
		}
		if out.Repair, err = s.repair(caller, d, one.place, later, busy, x); err != nil {
			return nil, err
		}
		if out.Repair != nil && r.GetValidateOnly() {
			// As one action: the move itself and what puts the rest right.
			self := &vw.RepairMove{Appointment: r.GetName(), Etag: r.GetEtag(), Place: out.Appointment.GetPlace(), Override: r.GetOverride()}
			out.Repair.Moves = append([]*vw.RepairMove{self}, out.Repair.Moves...)
		}
		return out, nil
	})
}

// busyWithout lists the patient's other appointments but those that move.
func (s *Diary) busyWithout(ctx context.Context, c Caller, patient string, moved *store.Appointment, later []following, x *snapshot) ([]civil.Interval, error) {
	if patient == "" {
		return nil, nil
	}
	without := map[string]bool{moved.ID: true}
	for _, f := range later {
		without[f.appointment.ID] = true
	}
	return s.busy(ctx, c, patient, without, x)
}

// RepairAppointments makes several moves and cancellations one action.
func (s *Diary) RepairAppointments(ctx context.Context, r *vw.RepairAppointmentsRequest) (*vw.RepairAppointmentsResponse, error) {
	caller, err := s.writer(ctx, r)
	if err == nil {
		err = caller.Within("parent", r.GetParent())
	}
	if err != nil {
		return nil, err
	}
	if len(r.GetRepair().GetMoves())+len(r.GetRepair().GetCancels()) == 0 {
		return nil, invalidField("repair", "at least one move or cancellation")
	}
	var was []store.Appointment
	change := store.Repair{}
	for i, m := range r.GetRepair().GetMoves() {
		field := fmt.Sprintf("repair.moves[%d]", i)
		a, err := s.kept(ctx, caller, field+".appointment", m.GetAppointment())
		if err != nil {
			return nil, err
		}
		if err := movable(caller, a, m.GetEtag()); err != nil && (caller.RequestID == "" || r.GetValidateOnly()) {
			return nil, err
		}
		if slices.ContainsFunc(was, func(b store.Appointment) bool { return a.ID == b.ID }) {
			return nil, invalidField(field+".appointment", "each appointment once")
		}
		was = append(was, a)
	}
	for i, k := range r.GetRepair().GetCancels() {
		field := fmt.Sprintf("repair.cancels[%d]", i)
		id, err := caller.appointment(field+".appointment", k.GetAppointment())
		if err != nil {
			return nil, err
		}
		if !s.figures.knows("change-reasons", k.GetReason()) {
			return nil, unknownID(field+".reason", "change-reasons")
		}
		change.Cancels = append(change.Cancels, store.StateChange{ID: id, Etag: k.GetEtag(), To: store.StateCancelled, Reason: k.GetReason()})
	}
	return withSetup(ctx, s, caller, true, func(x *snapshot) (*vw.RepairAppointmentsResponse, error) {
		change.SetupVersion, change.Moves = x.setup.Version, nil
		if x, err = x.without(was); err != nil {
			return nil, err
		}
		var preview []store.Appointment
		places, err := s.repairPlaces(ctx, caller, r.GetRepair(), was, x)
		if err != nil {
			return nil, err
		}
		for i, m := range r.GetRepair().GetMoves() {
			override, err := caller.decides(fmt.Sprintf("repair.moves[%d].override", i), m.GetOverride())
			if err != nil {
				return nil, err
			}
			to := keptPlace(places[i], x.zone())
			a := was[i]
			if a.IfNeeded {
				if a.ReleaseTime, err = s.release(fmt.Sprintf("repair.moves[%d].place", i), places[i], x); err != nil {
					return nil, err
				}
			}
			change.Moves = append(change.Moves, store.Move{ID: was[i].ID, Etag: m.GetEtag(), Place: to, ReleaseTime: a.ReleaseTime, Override: override, Reason: "repair"})
			a.Start, a.End, a.Local, a.Spans, a.Override = to.Start, to.End, to.Local, to.Spans, override
			preview = append(preview, a)
		}
		out := &vw.RepairAppointmentsResponse{}
		all := preview
		if !r.GetValidateOnly() {
			if all, err = s.store.RepairAppointments(ctx, caller.Call, change); err != nil {
				if errors.Is(err, store.ErrSetupChanged) {
					return nil, err
				}
				return nil, s.fault(err, caller, fault.Paths{"moves": "repair.moves", "cancels": "repair.cancels"})
			}
		}
		for _, a := range all {
			out.Appointments = append(out.Appointments, appointmentToProto(caller.Practice, a))
		}
		return out, nil
	})
}

// repairPlaces checks every place of a repair; a window is counted from where
// the visit before will be when all of it is done.
func (s *Diary) repairPlaces(ctx context.Context, c Caller, r *vw.AppointmentRepair, was []store.Appointment, x *snapshot) ([]diary.Place, error) {
	goes := map[string]civil.Date{}
	for i, m := range r.GetMoves() {
		p, err := s.choose(c, fmt.Sprintf("repair.moves[%d].place", i), m.GetPlace(), x)
		if err != nil {
			return nil, err
		}
		goes[was[i].ID] = p.day()
	}
	var out []diary.Place
	for i, m := range r.GetMoves() {
		field := fmt.Sprintf("repair.moves[%d].place", i)
		d, err := s.demandOfKept(ctx, c, was[i], x.worked)
		if err != nil {
			return nil, err
		}
		anchor, seen := d.anchor, d.clinician
		prev, err := s.previous(ctx, c, d, x)
		if err != nil {
			return nil, err
		}
		if prev != nil {
			anchor = x.zone().Date(prev.Start)
			if to, moves := goes[prev.ID]; moves {
				anchor = to
			}
		}
		one, err := s.lookFrom(c, field, m.GetPlace(), d, anchor, seen, nil, x)
		if err != nil {
			return nil, err
		}
		if err := refused(c, field, one.warnings, m.GetOverride() != nil, x); err != nil {
			return nil, err
		}
		out = append(out, one.place)
	}
	return out, nil
}
