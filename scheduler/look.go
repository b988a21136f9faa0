package scheduler

import (
	"context"
	"errors"

	"google.golang.org/protobuf/proto"

	"github.com/visitwright/visitwright/proto/fault"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/scheduler/civil"
	"github.com/visitwright/visitwright/scheduler/diary"
	"github.com/visitwright/visitwright/store"
)

// looked is a place with what speaks against it.
type looked struct {
	place    diary.Place
	warnings []diary.Warning
}

// look reads a place for a visit and says what speaks against it. moved is the
// appointment that would come here; nil for a new one.
func (s *Diary) look(ctx context.Context, c Caller, field string, v *vw.Place, d *demand, moved *store.Appointment, x *snapshot) (looked, error) {
	prev, err := s.previous(ctx, c, d, x)
	if err != nil {
		return looked{}, err
	}
	if prev != nil && moved != nil && prev.ID == moved.ID {
		prev = nil
	}
	anchor, seen := d.anchor, d.clinician
	if prev != nil {
		before := placeOfKept(*prev, x.zone(), 0)
		anchor = before.Day
		if before.Clinician != "" {
			seen = before.Clinician
		}
	}
	var patient []civil.Interval
	if d.patient != "" {
		without := map[string]bool{}
		if moved != nil {
			without[moved.ID] = true
		}
		if patient, err = s.busy(ctx, c, d.patient, without, x); err != nil {
			return looked{}, err
		}
	}
	return s.lookFrom(c, field, v, d, anchor, seen, patient, x)
}

// lookFrom is look with everything at hand.
func (s *Diary) lookFrom(c Caller, field string, v *vw.Place, d *demand, anchor civil.Date, seen string, patient []civil.Interval, x *snapshot) (looked, error) {
	if v.GetMinutes() == 0 {
		v = proto.CloneOf(v)
		v.Minutes = int32(d.minutes)
	}
	p, err := s.choose(c, field, v, x)
	if err != nil {
		return looked{}, err
	}
	visit := d.visit(x.worked, false)
	visit.Minutes = p.minutes
	visit.Parts = x.worked.parts(p.minutes)
	if anchor.IsZero() {
		// No visit before it is known: its window counts from nothing.
		visit.Window = diary.AnyDay
	}
	if err := s.fill(p, visit, seen, x); err != nil {
		return looked{}, s.fault(err, c, nil)
	}
	out := looked{place: p.placed(&visit, 0)}
	out.warnings, err = s.warn(p, visit, anchor, seen, patient, x)
	var unfit *diary.FieldError
	if errors.As(err, &unfit) {
		return looked{}, fault.State(vw.ErrorReason_ERROR_REASON_WRONG_RESOURCE, "", field+".holds: "+unfit.Problem)
	}
	if !anchor.IsZero() {
		out.place.Days = out.place.Day.DaysSince(anchor)
	}
	return out, err
}
