package planner

import (
	"context"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// VerifyAuditTrail walks the whole audit trail and compares its hashes.
func (s *Service) VerifyAuditTrail(ctx context.Context, r *vw.VerifyAuditTrailRequest) (*vw.AuditVerification, error) {
	caller, err := s.who(ctx)
	if err != nil {
		return nil, err
	}
	if err := caller.Within("parent", r.GetParent()); err != nil {
		return nil, err
	}
	broken, err := s.store.VerifyAudit(ctx, caller.Call)
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	if broken == nil {
		return &vw.AuditVerification{Whole: true}, nil
	}
	return &vw.AuditVerification{FirstBroken: auditToProto(*broken)}, nil
}
