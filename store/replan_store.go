package store

import "context"

// PassedDate is a latest date that has passed and asks for a new plan: the
// follow-up and what its plan becomes. Each makes one plan, whoever finds it.
type PassedDate struct {
	Practice string `db:"practice_id"`
	CaseID   string `db:"case_id"`
	Key      string `db:"key"`    // of the follow-up
	Step     string `db:"replan"` // what the plan becomes, in words
}

// Replanning is what the planner asks of the store about dates that have passed.
type Replanning interface {
	// PassedDates lists latest dates of return visits that have passed and made
	// no plan yet, in all practices, at most limit.
	PassedDates(ctx context.Context, limit int) ([]PassedDate, error)
	// KeepPassed notes that a date made no plan of its own: revision is the plan
	// that serves it already, or 0 with the problem that kept one from being
	// made. It reports whether it was the first.
	KeepPassed(ctx context.Context, call Call, d PassedDate, revision int, problem string) (bool, error)
}

var _ Replanning = (*Store)(nil)

var (
	stmtPassedDates = reads("passed dates", `
		SELECT f.practice_id, f.case_id, f.key, f.replan FROM follow_ups f
		WHERE f.kind = 'return-visit' AND f.replan <> '' AND NOT EXISTS (
			SELECT 1 FROM replans r WHERE r.practice_id = f.practice_id AND r.case_id = f.case_id AND r.key = f.key AND r.step = f.replan)
		ORDER BY f.practice_id, f.case_id, f.key LIMIT ?1`)
	stmtPassedPut = writes("passed date put", `
		INSERT INTO replans (practice_id, case_id, key, step, revision, problem, create_us) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)
		ON CONFLICT (practice_id, case_id, key, step) DO NOTHING`)
)

// PassedDates lists latest dates that have passed and made no plan yet.
func (s *Store) PassedDates(ctx context.Context, limit int) ([]PassedDate, error) {
	q, _, err := s.begin(ctx, everyPractice, true)
	if err != nil {
		return nil, s.clean(ctx, err)
	}
	defer func() { _ = q.tx.Rollback() }() // nothing was written
	var out []PassedDate
	err = q.list(ctx, &out, stmtPassedDates, limit)
	return out, s.clean(ctx, err)
}

// KeepPassed notes that a date made no plan of its own.
func (s *Store) KeepPassed(ctx context.Context, call Call, d PassedDate, revision int, problem string) (bool, error) {
	if len(problem) > 500 {
		return false, invalid("problem", "at most 500 bytes")
	}
	return sweep(ctx, s, call.Practice, func(t *tx) (bool, error) { return t.passed(ctx, d, revision, problem) })
}

func (t *tx) passed(ctx context.Context, d PassedDate, revision int, problem string) (bool, error) {
	n, err := t.exec(ctx, stmtPassedPut, t.call.Practice, d.CaseID, d.Key, d.Step, revision, problem, us(t.now))
	return n > 0, err
}
