package scheduler

import (
	"context"
	"errors"
	"slices"
	"strings"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"

	"github.com/visitwright/visitwright/proto/fault"
	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// changesAtOnce is how many lines of the change log are read at a time.
const changesAtOnce = 200

// WatchDiary streams diary changes in their order. The change log is the truth:
// it is read after every wake-up, and at every heartbeat in case a wake-up got
// lost, so that a change made on any replica is told by every other.
func (s *Diary) WatchDiary(r *vw.WatchDiaryRequest, stream grpc.ServerStreamingServer[vw.WatchDiaryResponse]) error {
	ctx := stream.Context()
	caller, err := s.reader(ctx, r.GetParent())
	if err != nil {
		return err
	}
	w := &watch{s: s, caller: caller, stream: stream}
	for _, name := range r.GetResources() {
		ref, err := s.ownerNow(ctx, caller, "resources", name)
		if err != nil {
			return err
		}
		w.only = append(w.only, ref)
	}
	// The hint is asked for before the log is read: what comes in between is
	// then in one of the two.
	wake, end := s.store.Wake(caller.Practice)
	defer end()
	if r.GetResumeToken() == "" {
		w.after, err = s.store.LastChange(ctx, caller.Reading())
	} else if w.after, err = s.seals.openChange(caller.Practice, r.GetResumeToken()); err != nil {
		return invalidField("resume_token", "a token that this diary gave").Because(err)
	}
	if err != nil {
		return s.fault(err, caller, nil)
	}
	if err := w.catchUp(ctx); err != nil {
		return err
	}
	// At once, so that the client knows that it hears everything from here on.
	if err := w.beat(); err != nil {
		return err
	}
	beat := time.NewTicker(s.heartbeat)
	defer beat.Stop()
	for {
		select {
		case <-ctx.Done():
			return s.fault(ctx.Err(), caller, nil)
		case <-s.stopping:
			return &fault.Fault{Code: codes.Unavailable, Reason: vw.ErrorReason_ERROR_REASON_SHUTTING_DOWN,
				Text: "the server is stopping: go on with the token of the last message, here or elsewhere", RetryAfter: time.Second}
		case <-wake:
			err = w.catchUp(ctx)
		case <-beat.C:
			if err = w.catchUp(ctx); err == nil {
				err = w.beat()
			}
		}
		if err != nil {
			return err
		}
	}
}

// watch is one stream of changes.
type watch struct {
	s      *Diary
	caller Caller
	stream grpc.ServerStreamingServer[vw.WatchDiaryResponse]
	only   []store.ResourceRef
	after  int64
}

func (w *watch) beat() error {
	return w.stream.Send(&vw.WatchDiaryResponse{ResumeToken: w.s.seals.change(w.caller.Practice, w.after)})
}

// catchUp sends every change that the log has by now.
func (w *watch) catchUp(ctx context.Context) error {
	for {
		changes, err := w.s.store.ReadChanges(ctx, w.caller.Reading(), w.after, changesAtOnce)
		if err != nil {
			return w.s.fault(err, w.caller, fault.Paths{"resume_token": "resume_token"})
		}
		for _, c := range changes {
			if err := w.tell(ctx, c); err != nil {
				return err
			}
			w.after = c.Seq
		}
		if len(changes) < changesAtOnce {
			return nil
		}
	}
}

func (w *watch) tell(ctx context.Context, c store.Change) error {
	out := &vw.DiaryChange{Sequence: c.Seq, Kind: kindOfChange(c.Kind), Resource: w.resource(c.Resource), Etag: c.Etag, ChangeTime: instant(c.Time)}
	if id, ok := strings.CutPrefix(c.Resource, "appointments/"); ok {
		a, err := w.s.store.GetAppointment(ctx, w.caller.Reading(), id)
		if err != nil && !errors.Is(err, store.ErrNotFound) {
			return w.s.fault(err, w.caller, nil)
		}
		if err == nil {
			if !w.touches(a) {
				return nil
			}
			out.Appointment = appointmentToProto(w.caller.Practice, a)
		}
	} else if len(w.only) > 0 && out.GetKind() != "setup.changed" {
		return nil
	}
	return w.stream.Send(&vw.WatchDiaryResponse{ResumeToken: w.s.seals.change(w.caller.Practice, c.Seq), Change: out})
}

// resource is the contract's name of what the change log calls by kind and id.
func (w *watch) resource(kept string) string {
	own := names.Practice(w.caller.Practice)
	kept = strings.TrimSuffix(kept, "/hours")
	kind, rest, _ := strings.Cut(kept, "/")
	switch kind {
	case "practice", "practices":
		return own
	case "rooms", "nurses", "equipment":
		kind = "resources"
	}
	return own + "/" + kind + "/" + strings.Replace(rest, "/revisions/", "/plans/", 1)
}

// touches reports whether the appointment concerns what is watched.
func (w *watch) touches(a store.Appointment) bool {
	return len(w.only) == 0 || slices.ContainsFunc(a.Spans, func(p store.Span) bool { return slices.Contains(w.only, p.ResourceRef) })
}

// changeKinds are the kinds of the catalogue change-kinds that appointments
// have; every other step of one is a change.
var changeKinds = map[string]string{
	"appointment.booked": "appointment.booked", "appointment.provisional": "appointment.booked", "appointment.moved": "appointment.moved",
	"appointment.cancelled": "appointment.cancelled", "appointment.taken_in": "appointment.taken-in",
}

func kindOfChange(kind string) string {
	if !strings.HasPrefix(kind, "appointment.") {
		return kind
	}
	if known, ok := changeKinds[kind]; ok {
		return known
	}
	return "appointment.changed"
}
