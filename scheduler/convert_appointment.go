package scheduler

import (
	"encoding/json"
	"time"

	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/scheduler/civil"
	"github.com/visitwright/visitwright/store"
)

var statesToProto = map[store.AppointmentState]vw.Appointment_State{
	store.StateProvisional: vw.Appointment_STATE_PROVISIONAL, store.StateBooked: vw.Appointment_STATE_BOOKED,
	store.StateArrived: vw.Appointment_STATE_ARRIVED, store.StateInChair: vw.Appointment_STATE_IN_CHAIR, store.StateLeft: vw.Appointment_STATE_LEFT,
	store.StateDidNotAttend: vw.Appointment_STATE_DID_NOT_ATTEND, store.StateCancelled: vw.Appointment_STATE_CANCELLED,
	store.StateExpired: vw.Appointment_STATE_EXPIRED, store.StateReleased: vw.Appointment_STATE_RELEASED,
}

func stateFromProto(state vw.Appointment_State) store.AppointmentState {
	for from, to := range statesToProto {
		if to == state {
			return from
		}
	}
	return ""
}

// extras is what this service keeps in an appointment's opaque document.
type extras struct {
	Protocol string    `json:"protocol,omitempty"` // of a visit that no plan asked for
	Occasion *occasion `json:"occasion,omitempty"` // of an urgent call
}

func (e extras) document() []byte {
	if e == (extras{}) {
		return nil
	}
	text, _ := json.Marshal(e) // strings always marshal
	return text
}

func extrasOf(document []byte) extras {
	var out extras
	_ = json.Unmarshal(document, &out) // empty, or of a later release: what is not known is left out
	return out
}

func appointmentToProto(practice string, a store.Appointment) *vw.Appointment {
	more := extrasOf(a.Document)
	out := &vw.Appointment{
		State: statesToProto[a.State], Place: placeToProto(practice, a.Start, a.End, a.Local, a.Zone, a.ZoneVersion, a.Spans),
		ExpireTime: instant(a.HoldUntil), IfNeeded: a.IfNeeded, ReleaseTime: instant(a.ReleaseTime), Reason: a.Reason, LateMinutes: int32(a.LateMinutes),
		ArriveTime: instant(a.ArriveTime), ChairTime: instant(a.ChairTime), LeaveTime: instant(a.LeaveTime), Sequence: int32(a.Sequence),
		CreateTime: instant(a.CreateTime), UpdateTime: instant(a.UpdateTime), Etag: a.Etag, Protocol: more.Protocol, Occasion: more.Occasion.proto(),
	}
	if a.ID != "" {
		out.Name = names.Appointment(practice, a.ID)
	}
	if a.Booking != "" {
		out.Booking = names.Booking(practice, a.Booking)
	}
	if a.Origin == store.OriginExternal {
		out.External = &vw.ExternalIdentifier{System: a.External.System, Value: a.External.Value}
	}
	if a.PatientID != "" {
		out.Patient = names.Patient(practice, a.PatientID)
	}
	for _, c := range a.Cases {
		out.Cases = append(out.Cases, names.Case(practice, c.CaseID))
		if c.Revision > 0 {
			out.Parts = append(out.Parts, &vw.VisitPart{Plan: names.Plan(practice, c.CaseID, c.Revision), Option: c.Option, Visit: int32(c.Visit)})
		}
	}
	if o := a.Override; o != nil {
		out.Override = &vw.WindowOverride{Reason: o.Reason}
		if o.Clinician != "" {
			out.Override.Clinician = names.Clinician(practice, o.Clinician)
		}
	}
	for _, id := range a.Conflicts {
		out.Conflicts = append(out.Conflicts, names.Appointment(practice, id))
	}
	return out
}

func placeToProto(practice string, start, end time.Time, local, zone, version string, spans []store.Span) *vw.Place {
	l, _ := civil.ParseLocalTime(local) // what was kept is valid
	out := &vw.Place{Start: localToProto(l, zone, version, start), Minutes: int32(end.Sub(start) / time.Minute)}
	for _, p := range spans {
		out.Holds = append(out.Holds, &vw.Hold{Resource: refName(practice, p.ResourceRef),
			FromMinute: int32(p.Start.Sub(start) / time.Minute), ToMinute: int32(p.End.Sub(start) / time.Minute)})
	}
	return out
}

func bookingToProto(practice string, b store.Booking) *vw.Booking {
	out := &vw.Booking{}
	if b.ID != "" {
		out.Name = names.Booking(practice, b.ID)
	}
	for _, a := range b.Appointments {
		out.Appointments = append(out.Appointments, appointmentToProto(practice, a))
	}
	return out
}
