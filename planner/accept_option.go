package planner

import (
	"context"
	"errors"
	"strings"

	"github.com/visitwright/visitwright/proto/fault"
	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// AcceptOption accepts one option of the newest revision. Only a clinician
// does so.
func (s *Service) AcceptOption(ctx context.Context, r *vw.AcceptOptionRequest) (*vw.Plan, error) {
	caller, err := s.writer(ctx, r)
	if err != nil {
		return nil, err
	}
	if caller.Role != store.RoleClinician {
		return nil, fault.Denied(vw.ErrorReason_ERROR_REASON_CLINICIAN_REQUIRED, "a clinician accepts an option")
	}
	n, err := caller.One(names.PlanPattern, "name", r.GetName(), vw.ErrorReason_ERROR_REASON_PLAN_NOT_FOUND)
	if err != nil {
		return nil, err
	}
	consent, err := consentFromProto(r.GetConsent(), s.now())
	if err != nil {
		return nil, err
	}
	c, err := s.store.GetCase(ctx, caller.Reading(), n.ID)
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	kept, err := s.revision(ctx, caller, n.ID, n.Number)
	if err != nil {
		return nil, err
	}
	message, err := s.readPlan(ctx, caller, kept, c.Revision)
	if err != nil {
		return nil, err
	}
	if err := sameTooth(c, message.GetName(), message.GetTooth()); err != nil {
		return nil, err
	}
	if err := acceptable(message, r.GetOption(), r.GetOverrideReason()); err != nil {
		return nil, err
	}
	if before := kept.Acceptance; before != nil && before.Option == r.GetOption() && !consent.Given {
		consent = before.Consent // the same option accepted again loses no consent
	}
	wanted := store.NewAcceptance{CaseID: n.ID, Revision: n.Number, Option: r.GetOption(), Clinician: caller.Clinician, Consent: consent,
		Against: strings.TrimSpace(r.GetOverrideReason())}
	stale := r.GetEtag() != "" && r.GetEtag() != message.GetEtag()
	switch {
	case r.GetValidateOnly():
		return s.previewAcceptance(caller, c, message, wanted, stale)
	case stale && caller.RequestID == "":
		return nil, etagMismatch(r.GetName())
	case stale:
		// The first try of this very request may be what changed the etag. No
		// case has a revision below 0, so that the store can only give the first
		// answer or refuse.
		wanted.Revision = -1
	}
	accepted, err := s.store.AcceptOption(ctx, caller.Call, wanted)
	switch {
	case errors.Is(err, store.ErrStaleEtag) && stale:
		return nil, etagMismatch(r.GetName()).Because(err)
	case errors.Is(err, store.ErrStaleEtag):
		return nil, superseded(r.GetName()).Because(err)
	case err != nil:
		return nil, s.fault(err, caller, fault.Paths{"option": "option"})
	}
	kept.Acceptance = &accepted
	nameRevision(message, caller.Practice, kept, max(c.Revision, kept.Revision))
	return inView(message, vw.PlanView_PLAN_VIEW_BASIC), nil
}

func etagMismatch(name string) *fault.Fault {
	return fault.Stale(vw.ErrorReason_ERROR_REASON_ETAG_MISMATCH, name, "changed by somebody else since it was read: read it again and repeat the change")
}

func superseded(name string) *fault.Fault {
	return fault.State(vw.ErrorReason_ERROR_REASON_PLAN_SUPERSEDED, name, "a later revision took the plan's place: want the newest")
}

// acceptable refuses an option that cannot be done or must not be, and one that
// a rule advises against without the clinician's reason.
func acceptable(p *vw.Plan, id, because string) error {
	for _, o := range p.GetOptions() {
		switch {
		case o.GetId() != id:
		case o.GetStrength() == vw.Reason_STANCE_FORBIDS:
			return fault.State(vw.ErrorReason_ERROR_REASON_OPTION_FORBIDDEN, p.GetName(), "a rule forbids this option; its reasons say which: want another option or new findings")
		case !o.GetFeasible():
			return fault.State(vw.ErrorReason_ERROR_REASON_OPTION_INFEASIBLE, p.GetName(), "the practice's lengths or the patient's tolerance do not allow this option: want one that is feasible")
		case o.GetStrength() == vw.Reason_STANCE_ADVISES_AGAINST && strings.TrimSpace(because) == "":
			return fault.Invalid(vw.ErrorReason_ERROR_REASON_INVALID_FIELD, "override_reason", "why this option is taken although a rule advises against it")
		default:
			return nil
		}
	}
	return fault.NotFound(vw.ErrorReason_ERROR_REASON_OPTION_NOT_FOUND, p.GetName())
}

func (s *Service) previewAcceptance(caller Caller, c store.Case, message *vw.Plan, wanted store.NewAcceptance, stale bool) (*vw.Plan, error) {
	switch {
	case stale:
		return nil, etagMismatch(message.GetName())
	case c.State == store.CaseClosed:
		return nil, fault.State(vw.ErrorReason_ERROR_REASON_CASE_CLOSED, message.GetCase(), "the case is closed: want an open case")
	case wanted.Revision < c.Revision:
		return nil, superseded(message.GetName())
	}
	message.State = vw.Plan_STATE_ACCEPTED
	message.Accepted = acceptanceToProto(caller.Practice, &store.Acceptance{CaseID: wanted.CaseID, Revision: wanted.Revision, Option: wanted.Option,
		Clinician: wanted.Clinician, Consent: wanted.Consent, Against: wanted.Against, Actor: caller.Actor})
	return inView(message, vw.PlanView_PLAN_VIEW_BASIC), nil
}
