package scheduler

import (
	"context"

	"github.com/visitwright/visitwright/proto/fault"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// CheckPlace says what speaks against a place chosen by hand.
func (s *Diary) CheckPlace(ctx context.Context, r *vw.CheckPlaceRequest) (*vw.CheckPlaceResponse, error) {
	caller, err := s.reader(ctx, r.GetParent())
	if err != nil {
		return nil, err
	}
	x, err := s.snapshot(ctx, caller.Call)
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	var moved *store.Appointment
	if r.GetAppointment() != "" {
		id, err := caller.appointment("appointment", r.GetAppointment())
		if err != nil {
			return nil, err
		}
		a, err := s.store.GetAppointment(ctx, caller.Call, id)
		if err != nil {
			return nil, s.fault(err, caller, nil)
		}
		moved = &a
		if x, err = x.without([]store.Appointment{a}); err != nil {
			return nil, err
		}
	}
	var d *demand
	if len(r.GetParts()) == 0 && r.GetUnplanned() == nil && moved != nil {
		d, err = s.demandOfKept(ctx, caller, *moved, x.worked)
	} else {
		d, err = s.demandOf(ctx, caller, "", r.GetParts(), r.GetUnplanned(), x.worked)
	}
	if err != nil {
		return nil, err
	}
	one, err := s.look(ctx, caller, "place", r.GetPlace(), d, moved, x)
	if err != nil {
		return nil, err
	}
	out := &vw.CheckPlaceResponse{Place: &vw.OfferedPlace{Parts: d.parts, Place: placeOfDiary(caller.Practice, one.place, x.zone()), Warnings: warningsToProto(one.warnings, x)}}
	effects, _, err := s.effects(ctx, caller, d, one.place, moved, x)
	if err != nil {
		return nil, err
	}
	out.Effects = effects
	return out, nil
}

// demandOfKept is what an appointment asks of the diary when it is moved.
func (s *Diary) demandOfKept(ctx context.Context, c Caller, a store.Appointment, w worked) (*demand, error) {
	shown := appointmentToProto(c.Practice, a)
	if len(shown.GetParts()) > 0 {
		return s.demandOf(ctx, c, "appointment", shown.GetParts(), nil, w)
	}
	un := &vw.UnplannedVisit{Protocol: shown.GetProtocol(), Minutes: shown.GetPlace().GetMinutes()}
	if len(shown.GetCases()) > 0 {
		un.Case = shown.GetCases()[0]
	}
	if un.GetProtocol() == "" {
		return nil, fault.State(vw.ErrorReason_ERROR_REASON_WRONG_BOOKING_STATE, shown.GetName(), "it was taken in from another system, which is its master: change it there")
	}
	return s.demandOf(ctx, c, "appointment", nil, un, w)
}
