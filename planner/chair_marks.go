package planner

import (
	"context"
	"errors"
	"time"

	"github.com/visitwright/visitwright/planner/chairside"
	"github.com/visitwright/visitwright/proto/fault"
	"github.com/visitwright/visitwright/proto/requests"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/scheduler/civil"
	"github.com/visitwright/visitwright/store"
)

// chairTries bounds how often entries are read against a visit to which others
// write at the same time.
const chairTries = 5

// AddMarks keeps entries of a visit.
func (s *ChairService) AddMarks(ctx context.Context, r *vw.AddMarksRequest) (*vw.ChairVisit, error) {
	caller, err := s.writer(ctx, r)
	if err != nil {
		return nil, err
	}
	o, err := s.visit(ctx, caller, r.GetName())
	if err != nil {
		return nil, err
	}
	rec, err := s.read(ctx, caller, o.kept.CaseID)
	if err != nil {
		return nil, err
	}
	var marks []chairside.Mark
	for i, m := range r.GetMarks() {
		mark, err := s.markFromProto(m, index("marks", i), rec.settings.GetCartridgeMl())
		if err != nil {
			return nil, err
		}
		if err := s.notAhead(mark.At, index("marks", i)+".time"); err != nil {
			return nil, err
		}
		marks = append(marks, mark)
	}
	if len(o.unknownMarks(marks)) == 0 && !r.GetValidateOnly() {
		// Everything is kept: the store looks whether it is the same.
		if err := s.keep(ctx, caller, o, marks, nil, nil); err != nil {
			return nil, err
		}
		return s.show(ctx, caller, o, rec)
	}
	for try := 0; ; try++ {
		next, err := s.fold(o, marks, "marks")
		if err != nil {
			return nil, err
		}
		if r.GetValidateOnly() {
			return s.show(ctx, caller, next, rec)
		}
		err = s.keep(ctx, caller, next, marks, s.observation(next), nil)
		if errors.Is(err, store.ErrStaleEtag) && try < chairTries {
			if o, err = s.visit(ctx, caller, r.GetName()); err != nil {
				return nil, err
			}
			continue
		}
		if err != nil {
			return nil, err
		}
		if next, err = s.visit(ctx, caller, r.GetName()); err != nil {
			return nil, err
		}
		return s.show(ctx, caller, next, rec)
	}
}

// aheadOfClock is how far a tablet's clock may run before the server's.
const aheadOfClock = 5 * time.Minute

// notAhead refuses a time that has not come yet.
func (s *ChairService) notAhead(at time.Time, path string) error {
	if at.After(s.now().Add(aheadOfClock)) {
		return fault.Invalid(vw.ErrorReason_ERROR_REASON_MARK_DOES_NOT_FIT, path, "a time that has come: this one lies in the future; look at the clock of the device")
	}
	return nil
}

// fold reads further entries into a visit. The fault names the entry and its
// field.
func (s *ChairService) fold(o openVisit, marks []chairside.Mark, path string) (openVisit, error) {
	fresh := o.unknownMarks(marks)
	for _, m := range fresh {
		if m.Kind == chairside.TakeBack && len(o.marks) > 0 && m.Of == o.marks[0].ID {
			return o, fault.Invalid(vw.ErrorReason_ERROR_REASON_MARK_DOES_NOT_FIT, path, "an entry other than the beginning: end the visit in its place")
		}
	}
	next, at, err := o.with(fresh)
	var input *chairside.InputError
	if errors.As(err, &input) {
		for i, m := range marks {
			if at >= 0 && m.ID == fresh[at].ID {
				field := markPath(m.Kind, input.Field)
				where := path
				if path == "marks" {
					where = index(path, i) + "." + field
				}
				return o, markFault(where, input).Because(err)
			}
		}
		return o, markFault(path, input).Because(err)
	}
	return next, err
}

// markFault says what does not fit and what would be right. Problem holds ids,
// canal names and figures of the entry, never a patient's data.
func markFault(where string, input *chairside.InputError) *fault.Fault {
	f := fault.Invalid(vw.ErrorReason_ERROR_REASON_MARK_DOES_NOT_FIT, where, input.Want)
	f.Text = where + ": " + input.Problem + "; want " + input.Want
	return f
}

// keep writes entries, the first of them unknown at base.
func (s *ChairService) keep(ctx context.Context, caller Caller, o openVisit, marks []chairside.Mark, obs *store.Observation, more func(*store.NewChairMarks)) error {
	kept, err := keptMarks(marks)
	if err != nil {
		return err
	}
	add := store.NewChairMarks{CaseID: o.kept.CaseID, Visit: o.kept.Number, Base: len(o.kept.Marks), Marks: kept, Observation: obs}
	if more != nil {
		more(&add)
	}
	_, err = s.chair.AddChairMarks(ctx, caller.Call, add)
	if errors.Is(err, store.ErrStaleEtag) && more == nil {
		return err // the caller tries again
	}
	if err != nil {
		return s.chairFault(err, caller, o.kept.CaseID)
	}
	return nil
}

// GetVisit reads a visit with its answer at a moment.
func (s *ChairService) GetVisit(ctx context.Context, r *vw.GetVisitRequest) (*vw.ChairVisit, error) {
	caller, err := s.who(ctx)
	if err != nil {
		return nil, err
	}
	o, err := s.visit(ctx, caller, r.GetName())
	if err != nil {
		return nil, err
	}
	rec, err := s.read(ctx, caller, o.kept.CaseID)
	if err != nil {
		return nil, err
	}
	at := s.now()
	if r.GetAtTime() != nil {
		at = r.GetAtTime().AsTime()
	}
	return s.showAt(ctx, caller, o, rec, at)
}

// ListVisits lists the visits of a case.
func (s *ChairService) ListVisits(ctx context.Context, r *vw.ListVisitsRequest) (*vw.ListVisitsResponse, error) {
	caller, err := s.who(ctx)
	if err != nil {
		return nil, err
	}
	id, err := caller.caseID("parent", r.GetParent())
	if err != nil {
		return nil, err
	}
	page, err := requests.Page(s.pager, r)
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	rec, err := s.read(ctx, caller, id)
	if err != nil {
		return nil, err
	}
	listed, next, err := s.chair.ListChairVisits(ctx, caller.Reading(), id, page)
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	out := &vw.ListVisitsResponse{NextPageToken: s.pager.Token(r, next)}
	for _, kept := range listed {
		o, err := s.open(ctx, caller, kept)
		if err != nil {
			return nil, err
		}
		shown, err := s.visitToProto(ctx, caller, o, rec)
		if err != nil {
			return nil, err
		}
		shown.Marks = nil
		out.Visits = append(out.Visits, shown)
	}
	return out, nil
}

// show is a visit with its answer at its last entry or now, whichever is later.
func (s *ChairService) show(ctx context.Context, caller Caller, o openVisit, rec record) (*vw.ChairVisit, error) {
	return s.showAt(ctx, caller, o, rec, o.state.Last)
}

func (s *ChairService) showAt(ctx context.Context, caller Caller, o openVisit, rec record, at time.Time) (*vw.ChairVisit, error) {
	out, err := s.visitToProto(ctx, caller, o, rec)
	if err != nil {
		return nil, err
	}
	switch o.state.Phase {
	case chairside.Running, chairside.Paused:
		solver := s.solver(o.key(caller))
		a, err := compute(ctx, s.computing, func() (chairside.Moment, error) { return o.plan.At(o.state, at.UTC(), solver) })
		if err != nil {
			return nil, err
		}
		zone, err := civil.Embedded().Zone(rec.settings.GetZone())
		if err != nil {
			return nil, err
		}
		usual, err := s.usualClosing(o, rec)
		if err != nil {
			return nil, err
		}
		out.Answer = s.answerToProto(o, a, usual, func(t time.Time) string { return t.In(zone.Location()).Format("15:04") })
	case chairside.Ended:
		if o.state.EndsCase != "" {
			break // nobody comes back to go on: what becomes of the tooth is on the follow-up list
		}
		window, err := s.windowOf(caller, o, rec)
		if err != nil {
			return nil, err
		}
		out.ReturnWindow = window
	}
	return out, nil
}
