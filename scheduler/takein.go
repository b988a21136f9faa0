package scheduler

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"time"

	"google.golang.org/grpc"

	"github.com/visitwright/visitwright/proto/fault"
	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// TakeInAppointment takes in one appointment as another system has it.
func (s *Diary) TakeInAppointment(ctx context.Context, r *vw.TakeInAppointmentRequest) (*vw.TakenIn, error) {
	caller, err := s.writer(ctx, r)
	if err == nil {
		err = caller.Within("parent", r.GetParent())
	}
	if err != nil {
		return nil, err
	}
	out, err := s.takeIn(ctx, caller, []*vw.ExternalAppointment{r.GetAppointment()}, r.GetValidateOnly())
	if err != nil {
		return nil, err
	}
	return out[0], nil
}

// TakeInAppointments takes in many. What has been answered is kept: a stream
// that broke goes on after the last answer, and sending a message twice changes
// nothing, since each appointment is known by its key.
func (s *Diary) TakeInAppointments(stream grpc.BidiStreamingServer[vw.TakeInAppointmentsRequest, vw.TakeInAppointmentsResponse]) error {
	for {
		r, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			return nil
		}
		if err != nil {
			return err
		}
		caller, err := s.writer(stream.Context(), r)
		if err == nil {
			err = caller.Within("parent", r.GetParent())
		}
		if err != nil {
			return err
		}
		items, err := s.takeIn(stream.Context(), caller, r.GetAppointments(), false)
		if err != nil {
			return err
		}
		if err := stream.Send(&vw.TakeInAppointmentsResponse{Sequence: r.GetSequence(), Items: items}); err != nil {
			return err
		}
	}
}

var outcomes = map[store.TakeOutcome]vw.TakenIn_Outcome{
	store.TakeCreated: vw.TakenIn_OUTCOME_CREATED, store.TakeChanged: vw.TakenIn_OUTCOME_CHANGED, store.TakeUnchanged: vw.TakenIn_OUTCOME_UNCHANGED,
	store.TakeCancelled: vw.TakenIn_OUTCOME_CANCELLED, store.TakeRefused: vw.TakenIn_OUTCOME_REFUSED,
}

// takeIn keeps what another system sent, item by item.
func (s *Diary) takeIn(ctx context.Context, c Caller, items []*vw.ExternalAppointment, preview bool) ([]*vw.TakenIn, error) {
	x, err := s.current(ctx, c)
	if err != nil {
		return nil, err
	}
	out := make([]*vw.TakenIn, len(items))
	var kept []store.ExternalAppointment
	var at []int // where the answer of each kept item belongs
	for i, item := range items {
		out[i] = &vw.TakenIn{Key: item.GetKey()}
		e, err := s.externalFromProto(c, item, x.setup)
		if err != nil {
			refuse(out[i], err)
			continue
		}
		kept, at = append(kept, e), append(at, i)
	}
	if preview || len(kept) == 0 {
		return out, nil
	}
	results, err := s.store.TakeIn(ctx, c.Call, kept)
	if err != nil {
		return nil, s.fault(err, c, nil)
	}
	var ids []string
	byID := map[string][]*vw.TakenIn{}
	for i, k := range results {
		t := out[at[i]]
		t.Outcome = outcomes[k.Outcome]
		if k.ID != "" {
			t.Appointment = names.Appointment(c.Practice, k.ID)
			ids = append(ids, k.ID)
			byID[k.ID] = append(byID[k.ID], t)
		}
		if k.Problem != nil {
			refuse(t, s.fault(k.Problem, c, fault.Paths{"key": "key", "start": "place.start", "spans": "place.holds", "zone": "place.start.zone", "patient": "patient"}))
		}
	}
	slices.Sort(ids)
	conflicts, err := s.store.Conflicts(ctx, c.Reading(), slices.Compact(ids))
	if err != nil {
		return nil, s.fault(err, c, nil)
	}
	for id, with := range conflicts {
		for _, t := range byID[id] {
			for _, other := range with {
				t.Conflicts = append(t.Conflicts, names.Appointment(c.Practice, other))
			}
		}
	}
	return out, nil
}

// refuse says in an item why it was not taken in.
func refuse(t *vw.TakenIn, err error) {
	t.Outcome = vw.TakenIn_OUTCOME_REFUSED
	var f *fault.Fault
	if !errors.As(err, &f) {
		t.Error = &vw.ItemError{Code: 13, Reason: fault.ReasonName(vw.ErrorReason_ERROR_REASON_INTERNAL_ERROR), Text: "internal error"} // google.rpc.Code INTERNAL
		return
	}
	t.Error = &vw.ItemError{Code: int32(f.Code), Reason: fault.ReasonName(f.Reason), Text: f.Text}
	if len(f.Fields) > 0 {
		t.Error.Field = f.Fields[0].Path
	}
}

// never is a version that no diary has reached: asking for what came after it
// reads the versions alone.
const never = math.MaxInt64

// current returns the last snapshot, read again only when hours, absences,
// resources or settings have changed since: for what does not ask who is free.
func (s *Diary) current(ctx context.Context, c Caller) (*snapshot, error) {
	x, err := s.lately(ctx, c.Reading())
	if err != nil {
		return nil, s.fault(err, c, nil)
	}
	got, err := s.store.ReadDays(ctx, c.Reading(), 0, 0, never)
	if err == nil && got.SetupVersion != x.setup.Version {
		x, err = s.snapshot(ctx, c.Reading())
	}
	return x, s.fault(err, c, nil)
}

// externalFromProto reads an appointment as its master has it. What it says is
// the truth, off our grid and over our bookings too; only what cannot be kept at
// all is refused.
func (s *Diary) externalFromProto(c Caller, e *vw.ExternalAppointment, setup store.DiarySetup) (store.ExternalAppointment, error) {
	out := store.ExternalAppointment{Key: store.ExternalID{System: e.GetKey().GetSystem(), Value: e.GetKey().GetValue()}, Cancelled: e.GetCancelled()}
	if e.GetPatient() != "" {
		id, err := c.patient("patient", e.GetPatient())
		if err != nil {
			return out, err
		}
		out.PatientID = id
	}
	if e.GetPlace() == nil {
		return out, invalidField("place", "when it is, also of one that was cancelled")
	}
	practice, err := s.zones.Zone(setup.Practice.Zone)
	if err != nil {
		return out, err
	}
	local, zone, err := s.localFromProto("place.start", e.GetPlace().GetStart(), practice)
	if err != nil {
		return out, err
	}
	kept := zone.KeepResolved(local)
	out.Start, out.End = kept.UTC, kept.UTC.Add(time.Duration(e.GetPlace().GetMinutes())*time.Minute)
	out.Zone, out.Local, out.ZoneVersion = kept.Zone, kept.Local.String(), kept.Version
	for i, h := range e.GetPlace().GetHolds() {
		field := fmt.Sprintf("place.holds[%d]", i)
		ref, err := ownerFromProto(c, field+".resource", h.GetResource(), setup)
		if err != nil {
			return out, err
		}
		from, to := h.GetFromMinute(), h.GetToMinute()
		if from == 0 && to == 0 { // the whole visit
			to = e.GetPlace().GetMinutes()
		}
		if to <= from {
			return out, fault.Invalid(vw.ErrorReason_ERROR_REASON_END_BEFORE_START, field+".to_minute", "a minute after from_minute")
		}
		out.Spans = append(out.Spans, store.Span{ResourceRef: ref, Start: kept.UTC.Add(time.Duration(from) * time.Minute), End: kept.UTC.Add(time.Duration(to) * time.Minute)})
	}
	return out, nil
}
