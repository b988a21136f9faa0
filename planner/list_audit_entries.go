package planner

import (
	"context"
	"strings"

	"github.com/visitwright/visitwright/proto/fault"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// ListAuditEntries lists the audit trail, the newest line first.
func (s *Service) ListAuditEntries(ctx context.Context, r *vw.ListAuditEntriesRequest) (*vw.ListAuditEntriesResponse, error) {
	caller, page, err := s.list(ctx, r)
	if err != nil {
		return nil, err
	}
	q := store.AuditQuery{Page: page}
	if name := r.GetResource(); name != "" {
		within, ok := strings.CutPrefix(name, r.GetParent()+"/")
		if !ok {
			return nil, fault.Invalid(vw.ErrorReason_ERROR_REASON_INVALID_NAME, "resource", "a resource name below parent")
		}
		// What the contract calls plans, the store calls revisions.
		q.Resource = strings.Replace(within, "/plans/", "/revisions/", 1)
	}
	entries, next, err := s.store.ListAudit(ctx, caller.Call, q)
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	out := &vw.ListAuditEntriesResponse{NextPageToken: s.pager.Token(r, next)}
	for _, e := range entries {
		out.Entries = append(out.Entries, auditToProto(e))
	}
	return out, nil
}
