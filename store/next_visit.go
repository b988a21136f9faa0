package store

import (
	"cmp"
	"context"
	"slices"
	"time"
)

var stmtNextVisit = reads("next planned visit", `
	SELECT coalesce(max(planned), 0) + 1 FROM chair_visits WHERE practice_id = ?1 AND case_id = ?2 AND revision = ?3`)

// outOfDate reports whether a coming appointment has its length from a plan
// that a later revision took the place of.
func outOfDate(c Care, now time.Time) bool {
	return slices.ContainsFunc(c.Appointments, func(a Appointment) bool {
		return a.Start.After(now) && slices.ContainsFunc(a.Cases, func(v VisitOf) bool {
			return v.CaseID == c.Case.ID && v.Revision > 0 && v.Revision < c.Case.Revision
		})
	})
}

// coming are the visits that a revision still asks for: those of the option that
// was accepted, else of the one that is recommended.
func (s *Store) coming(ctx context.Context, q querier, practice, caseID string, revision int) ([]PlannedVisit, error) {
	next := 1
	if err := q.get(ctx, &next, stmtNextVisit, practice, caseID, revision); err != nil {
		return nil, err
	}
	var plan revisionRow
	if err := q.get(ctx, &plan, stmtRevisionGet, practice, caseID, revision); err != nil {
		return nil, err
	}
	r := []PlanRevision{plan.record(caseID)}
	if err := s.addToRevisions(ctx, q, practice, caseID, r); err != nil {
		return nil, err
	}
	option := r[0].Recommended
	if r[0].Acceptance != nil {
		option = r[0].Acceptance.Option
	}
	out := slices.DeleteFunc(r[0].Visits, func(v PlannedVisit) bool { return v.Option != option || v.Visit < next })
	slices.SortFunc(out, func(a, b PlannedVisit) int { return cmp.Compare(a.Visit, b.Visit) })
	return out, nil
}
