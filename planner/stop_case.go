package planner

import (
	"context"

	"github.com/visitwright/visitwright/proto/fault"
	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// StopCase closes a case with its reason.
func (s *Service) StopCase(ctx context.Context, r *vw.StopCaseRequest) (*vw.StopCaseResponse, error) {
	caller, err := s.writer(ctx, r)
	if err != nil {
		return nil, err
	}
	id, err := caller.caseID("name", r.GetName())
	if err != nil {
		return nil, err
	}
	reason, ok := closingByID(r.GetClosingReason())
	if !ok {
		return nil, unknownID("closing_reason", "closing-reasons")
	}
	if reason.clinical && caller.Role != store.RoleClinician {
		return nil, fault.Denied(vw.ErrorReason_ERROR_REASON_CLINICIAN_REQUIRED, "a clinician decides whether a case ends as "+reason.id)
	}
	on, err := dayFromProto("end_date", r.GetEndDate())
	if err != nil {
		return nil, err
	}
	if r.GetValidateOnly() {
		return s.previewStop(ctx, caller, id, r)
	}
	closed, err := s.store.CloseCase(ctx, caller.Call, store.CaseClosing{ID: id, Etag: r.GetEtag(), Reason: closingFromProto(reason.id), Note: r.GetNote(), On: on})
	if err != nil {
		return nil, s.fault(err, caller, casePaths)
	}
	shown, err := s.showCase(ctx, caller, closed.Case)
	if err != nil {
		return nil, err
	}
	return stopped(caller, shown, closed.Cancelled), nil
}

// previewStop shows the case as it would be, and the appointments that would be
// cancelled with it.
func (s *Service) previewStop(ctx context.Context, caller Caller, id string, r *vw.StopCaseRequest) (*vw.StopCaseResponse, error) {
	c, err := s.openCase(ctx, caller, id)
	if err != nil {
		return nil, err
	}
	if r.GetEtag() != "" && r.GetEtag() != c.Etag {
		return nil, fault.Stale(vw.ErrorReason_ERROR_REASON_ETAG_MISMATCH, r.GetName(), "changed by somebody else since it was read")
	}
	c.State, c.ClosingReason = store.CaseClosed, closingFromProto(r.GetClosingReason())
	shown, err := s.showCase(ctx, caller, c)
	if err != nil {
		return nil, err
	}
	ends, err := s.store.EndsWithCase(ctx, caller.Reading(), id, c.ClosingReason)
	if err != nil {
		return nil, s.fault(err, caller, casePaths)
	}
	return stopped(caller, shown, ends), nil
}

func stopped(caller Caller, c *vw.Case, cancelled []string) *vw.StopCaseResponse {
	out := &vw.StopCaseResponse{Case: c}
	for _, appointment := range cancelled {
		out.CancelledAppointments = append(out.CancelledAppointments, names.Appointment(caller.Practice, appointment))
	}
	return out
}

// openCase reads a case that may still change.
func (s *Service) openCase(ctx context.Context, caller Caller, id string) (store.Case, error) {
	c, err := s.store.GetCase(ctx, caller.Reading(), id)
	if err != nil {
		return store.Case{}, s.fault(err, caller, nil)
	}
	if c.State == store.CaseClosed {
		return store.Case{}, fault.State(vw.ErrorReason_ERROR_REASON_CASE_CLOSED, names.Case(caller.Practice, id), "the case is closed: want an open case")
	}
	return c, nil
}
