package store

import (
	"context"
	"time"
)

var stmtNextVisit = reads("next planned visit", `
	SELECT coalesce(max(planned), 0) + 1 FROM chair_visits WHERE practice_id = ?1 AND case_id = ?2 AND revision = ?3`)

// NextVisit is the number of the visit of a plan revision that comes next. It
// names nobody and leaves no entry in the log of accesses.
func (s *Store) NextVisit(ctx context.Context, call Call, caseID string, revision int) (int, error) {
	n := 1
	err := s.glance(ctx, call, func(q querier, _ time.Time) error {
		return q.get(ctx, &n, stmtNextVisit, call.Practice, caseID, revision)
	})
	return n, err
}
