package store

import (
	"context"
	"slices"
	"strings"
	"time"
)

// followUpRead is a follow-up as a list shows it: with its tooth, the visit of
// the newest plan that comes next, and what was planned since its latest day.
const followUpRead = `f.case_id, f.key, f.patient_id, f.kind, f.state, f.actor, f.earliest, f.target, f.latest, f.act_on, f.reason, f.replan,
	c.tooth, c.revision AS case_revision, CASE c.state WHEN 'closed' THEN 1 ELSE 0 END AS case_closed,
	coalesce(r.revision, 0) AS proposed, coalesce(r.problem, '') AS plan_problem,
	CASE WHEN f.kind IN ('return-visit', 'booking') THEN coalesce((
		SELECT min(v.visit) FROM planned_visits v WHERE v.practice_id = f.practice_id AND v.case_id = f.case_id AND v.revision = c.revision
		AND v.visit = 1 + coalesce((SELECT max(h.planned) FROM chair_visits h WHERE h.practice_id = f.practice_id AND h.case_id = f.case_id AND h.revision = c.revision), 0)
	), 0) ELSE 0 END AS next_visit
	FROM page f JOIN cases c ON c.practice_id = f.practice_id AND c.id = f.case_id
	LEFT JOIN replans r ON r.practice_id = f.practice_id AND r.case_id = f.case_id AND r.key = f.key AND r.step = f.replan`

const followUpColumns = `case_id, key, patient_id, kind, state, actor, earliest, target, latest, act_on, reason, replan`

var (
	stmtCareGet = reads("care get", `
		SELECT sealed, row_version FROM care WHERE practice_id = ?1 AND case_id = ?2`)
	stmtCarePut = writes("care put", `
		INSERT INTO care (practice_id, case_id, patient_id, sealed, look_us, row_version, update_us) VALUES (?1, ?2, ?3, ?4, ?5, 1, ?6)
		ON CONFLICT (practice_id, case_id) DO UPDATE SET sealed = excluded.sealed, look_us = excluded.look_us,
			row_version = care.row_version + 1, update_us = excluded.update_us`)
	stmtCareLook = writes("care look", `UPDATE care SET look_us = ?3 WHERE practice_id = ?1 AND case_id = ?2`)
	stmtCareDue  = reads("care due", `
		SELECT practice_id, case_id FROM care WHERE look_us > 0 AND look_us <= ?1 ORDER BY look_us, practice_id, case_id LIMIT ?2`)
	stmtCareDueOf = reads("care due of practice", `
		SELECT practice_id, case_id FROM care WHERE practice_id = ?3 AND look_us > 0 AND look_us <= ?1 ORDER BY look_us LIMIT ?2`)
	stmtCareAppointments = reads("care appointments", `
		SELECT `+appointmentColumns+` FROM appointments WHERE practice_id = ?1
		AND id IN (SELECT appointment_id FROM appointment_cases WHERE practice_id = ?1 AND case_id = ?2)
		AND state NOT IN ('cancelled', 'expired', 'released') ORDER BY start_us, id`)
	stmtFollowUpsOf = reads("follow ups of case", `
		SELECT `+followUpColumns+` FROM follow_ups WHERE practice_id = ?1 AND case_id = ?2 ORDER BY latest, key`)
	stmtFollowUpsRead = reads("follow ups of case with plans", `
		WITH page AS MATERIALIZED (SELECT practice_id, `+followUpColumns+` FROM follow_ups WHERE practice_id = ?1 AND case_id = ?2)
		SELECT `+followUpRead+` ORDER BY f.latest, f.key`)
	stmtFollowUpPut = writes("follow up put", `
		INSERT INTO follow_ups (practice_id, `+followUpColumns+`) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13)`)
	stmtFollowUpsDrop = writes("follow ups drop", `DELETE FROM follow_ups WHERE practice_id = ?1 AND case_id = ?2`)
	stmtFollowUpPage  = reads("follow up page", `
		WITH page AS MATERIALIZED ( -- what is joined to it is read for one page alone
			SELECT practice_id, `+followUpColumns+` FROM follow_ups
			WHERE practice_id = ?1 AND state <> 'ahead' AND (latest, case_id, key) > (?2, ?3, ?4)
			AND (?5 = '' OR state = ?5) AND (?6 = '' OR kind = ?6) AND (?7 = '' OR actor = ?7)
			AND (?8 = '' OR latest <= ?8) AND (?9 = '' OR act_on <= ?9)
			ORDER BY latest, case_id, key LIMIT ?10)
		SELECT `+followUpRead+` ORDER BY f.latest, f.case_id, f.key`)
	// The planner of PostgreSQL expects the filters to leave next to nothing, and
	// would rather read and sort all of a practice than walk its index.
	stmtInOrder     = differs("in order", "", `SELECT set_config('enable_bitmapscan', 'off', true)`, false)
	stmtReviewsDrop = writes("reviews held drop", `DELETE FROM reviews_held WHERE practice_id = ?1 AND case_id = ?2`)
	stmtReviewPut   = writes("review held put", `
		INSERT INTO reviews_held (practice_id, case_id, months, state, outcome, day) VALUES (?1, ?2, ?3, ?4, ?5, ?6)`)
	stmtReviewsCount = reads("reviews count", `
		SELECT months, state, outcome, count(*) AS n FROM reviews_held WHERE practice_id = ?1 GROUP BY months, state, outcome ORDER BY months, state, outcome`)
)

type followUpRow struct {
	CaseID    string `db:"case_id"`
	Key       string `db:"key"`
	PatientID string `db:"patient_id"`
	Kind      string `db:"kind"`
	State     string `db:"state"`
	Actor     string `db:"actor"`
	Earliest  string `db:"earliest"`
	Target    string `db:"target"`
	Latest    string `db:"latest"`
	ActOn     string `db:"act_on"`
	Reason    string `db:"reason"`
	Replan    string `db:"replan"`
	Tooth     int    `db:"tooth"`
	Revision  int    `db:"case_revision"`
	Closed    int    `db:"case_closed"`
	Proposed  int    `db:"proposed"`
	Problem   string `db:"plan_problem"`
	NextVisit int    `db:"next_visit"`
}

func (r followUpRow) followUp() FollowUp {
	return FollowUp{CaseID: r.CaseID, PatientID: r.PatientID, Key: r.Key, Kind: r.Kind, State: r.State, Actor: r.Actor,
		Earliest: r.Earliest, Target: r.Target, Latest: r.Latest, ActOn: r.ActOn, Reason: r.Reason, Replan: r.Replan,
		Tooth: r.Tooth, Revision: r.Revision, CaseClosed: r.Closed == 1, NextVisit: r.NextVisit, ProposedRevision: r.Proposed, PlanProblem: r.Problem}
}

func careRecord(caseID string) string { return "cases/" + caseID + "/care" }

// care reads a case as it stands, on whatever snapshot q has.
func (s *Store) care(ctx context.Context, q querier, practice string, row caseRow, now time.Time) (Care, error) {
	out := Care{Now: now}
	var err error
	if out.Case, err = s.caseOf(practice, row); err != nil {
		return Care{}, err
	}
	var kept struct {
		Sealed     []byte `db:"sealed"`
		RowVersion int64  `db:"row_version"`
	}
	err = q.get(ctx, &kept, stmtCareGet, practice, row.ID)
	if err == nil && len(kept.Sealed) > 0 {
		out.Document, err = s.keys.open(kept.Sealed, practice, careRecord(row.ID))
	}
	if err != nil && !noRows(err) {
		return Care{}, err
	}
	var died int
	if err := q.get(ctx, &died, stmtPatientDied, practice, row.PatientID); err != nil {
		return Care{}, err
	}
	out.Died = died > 0
	var appointments []appointmentRow
	if err := q.list(ctx, &appointments, stmtCareAppointments, practice, row.ID); err != nil {
		return Care{}, err
	}
	for _, r := range appointments {
		a, err := s.appointment(practice, r)
		if err != nil {
			return Care{}, err
		}
		out.Appointments = append(out.Appointments, a)
	}
	if outOfDate(out, now) {
		if out.Coming, err = s.coming(ctx, q, practice, row.ID, out.Case.Revision); err != nil {
			return Care{}, err
		}
	}
	var visits []chairVisitRow
	if err := q.list(ctx, &visits, stmtChairVisitPage, practice, row.ID, 1<<30, MaxPageSize); err != nil || len(visits) == 0 {
		return out, err
	}
	marks, err := s.marksOf(ctx, q, practice, row.ID, 1, 1<<30)
	if err != nil {
		return Care{}, err
	}
	for _, r := range slices.Backward(visits) {
		v, err := s.chairVisit(practice, r)
		if err != nil {
			return Care{}, err
		}
		if v.Marks = marks[v.Number]; v.Ended() {
			out.Visits = append(out.Visits, v)
		}
	}
	return out, nil
}

// ReadCare returns the case as it stands and leaves an entry in the audit trail.
func (s *Store) ReadCare(ctx context.Context, call Call, caseID string) (Care, error) {
	var out Care
	err := s.view(ctx, call, func(q querier, now time.Time) error {
		var row caseRow
		err := q.get(ctx, &row, stmtCaseGet, call.Practice, caseID)
		if noRows(err) {
			err = notFound("cases/" + caseID)
		}
		if err != nil {
			return err
		}
		out, err = s.care(ctx, q, call.Practice, row, now)
		return err
	})
	if err != nil {
		return Care{}, err
	}
	return out, s.access.record(ctx, call, careRecord(caseID), out.Now)
}

// LookAtCare looks at one case and writes what follows. The case is locked
// first, then, when a person writes, the practice's head: the order that every
// writer keeps.
func (s *Store) LookAtCare(ctx context.Context, call Call, caseID string, fn func(Care) (CareResult, error)) (CareResult, error) {
	return write(ctx, s, call, func(t *tx) (CareResult, error) {
		row, err := t.caseRow(ctx, caseID)
		if err != nil {
			return CareResult{}, err
		}
		at, err := s.care(ctx, t, call.Practice, row, t.now)
		if err != nil {
			return CareResult{}, err
		}
		out, err := fn(at)
		if err != nil {
			return CareResult{}, err
		}
		t.silent = true
		if !out.Keep {
			return out, nil
		}
		if out.About != "" {
			if err := t.lockHead(ctx); err != nil {
				return CareResult{}, err
			}
			t.silent = false
			t.about(careRecord(caseID), out.About)
			t.changed("case.care", "cases/"+caseID, "")
			if out.CaseState != "" {
				c := at.Case
				c.State = out.CaseState
				if c, err = t.putCase(ctx, c, row); err != nil {
					return CareResult{}, err
				}
				t.alsoChanged("cases/"+caseID, "state")
				t.changed("case.changed", "cases/"+caseID, c.Etag)
			}
		}
		return out, t.putCare(ctx, at, out)
	})
}

func (t *tx) putCare(ctx context.Context, at Care, r CareResult) error {
	practice, id := t.call.Practice, at.Case.ID
	if r.Document != nil {
		sealed := t.s.keys.seal(r.Document, practice, careRecord(id))
		if _, err := t.exec(ctx, stmtCarePut, practice, id, at.Case.PatientID, sealed, us(r.Look), us(t.now)); err != nil {
			return err
		}
	} else if _, err := t.exec(ctx, stmtCareLook, practice, id, us(r.Look)); err != nil {
		return err
	}
	var before []followUpRow
	if err := t.list(ctx, &before, stmtFollowUpsOf, practice, id); err != nil {
		return err
	}
	now := make([]FollowUp, len(r.FollowUps))
	copy(now, r.FollowUps)
	slices.SortFunc(now, func(a, b FollowUp) int {
		if a.Latest != b.Latest {
			return strings.Compare(a.Latest, b.Latest)
		}
		return strings.Compare(a.Key, b.Key)
	})
	same := slices.EqualFunc(before, now, func(b followUpRow, n FollowUp) bool { return b.followUp() == n })
	if !same {
		if _, err := t.exec(ctx, stmtFollowUpsDrop, practice, id); err != nil {
			return err
		}
		for _, f := range now {
			if _, err := t.exec(ctx, stmtFollowUpPut, practice, f.CaseID, f.Key, f.PatientID, f.Kind, f.State, f.Actor,
				f.Earliest, f.Target, f.Latest, f.ActOn, f.Reason, f.Replan); err != nil {
				return err
			}
		}
	}
	if len(r.Reviews) > 0 || r.Document != nil {
		if _, err := t.exec(ctx, stmtReviewsDrop, practice, id); err != nil {
			return err
		}
		for _, h := range r.Reviews {
			state := "missed"
			if h.Held {
				state = "held"
			}
			if _, err := t.exec(ctx, stmtReviewPut, practice, id, h.Months, state, h.Outcome, h.Day); err != nil {
				return err
			}
		}
	}
	for _, m := range r.Messages {
		if err := t.putMessage(ctx, m); err != nil {
			return err
		}
	}
	if same {
		return nil
	}
	_, err := t.exec(ctx, stmtMessagesCaseOver, practice, id)
	return err
}

// ListFollowUps returns a page of follow-ups by their latest day.
func (s *Store) ListFollowUps(ctx context.Context, call Call, q FollowUpQuery) ([]FollowUp, string, error) {
	var latest, caseID, key string
	if q.Page.After != "" {
		parts := strings.SplitN(q.Page.After, " ", 3)
		if len(parts) != 3 {
			return nil, "", invalid("page", "the cursor of the page before")
		}
		latest, caseID, key = parts[0], parts[1], parts[2]
	}
	size := q.Page.Most()
	var rows []followUpRow
	var at time.Time
	err := s.glance(ctx, call, func(r querier, now time.Time) error {
		at = now
		if q.CaseID != "" {
			return r.list(ctx, &rows, stmtFollowUpsRead, call.Practice, q.CaseID)
		}
		if s.postgres {
			var off string
			if err := r.get(ctx, &off, stmtInOrder); err != nil {
				return err
			}
		}
		return r.list(ctx, &rows, stmtFollowUpPage, call.Practice, latest, caseID, key, q.State, q.Kind, q.Actor, q.LatestBy, q.ActBy, size+1)
	})
	if err != nil {
		return nil, "", err
	}
	next := ""
	if len(rows) > size && q.CaseID == "" {
		rows = rows[:size]
		last := rows[size-1]
		next = last.Latest + " " + last.CaseID + " " + last.Key
	}
	out := make([]FollowUp, len(rows))
	for i, r := range rows {
		out[i] = r.followUp()
	}
	return out, next, s.access.record(ctx, call, "followUps", at)
}

// CountReviews counts the reviews of the practice's cases. The counts name
// nobody, and there are few of them, however many reviews there are.
func (s *Store) CountReviews(ctx context.Context, call Call) ([]ReviewCount, error) {
	var rows []struct {
		Months  int    `db:"months"`
		State   string `db:"state"`
		Outcome string `db:"outcome"`
		Count   int    `db:"n"`
	}
	err := s.glance(ctx, call, func(q querier, _ time.Time) error { return q.list(ctx, &rows, stmtReviewsCount, call.Practice) })
	out := make([]ReviewCount, len(rows))
	for i, r := range rows {
		out[i] = ReviewCount{Months: r.Months, Held: r.State == "held", Outcome: r.Outcome, Count: r.Count}
	}
	return out, err
}

// DueCare lists cases that are due to be looked at.
func (s *Store) DueCare(ctx context.Context, practice string, limit int) ([]DueCare, error) {
	scope, st := practice, stmtCareDueOf
	if practice == "" {
		scope, st = everyPractice, stmtCareDue
	}
	q, now, err := s.begin(ctx, scope, true)
	if err != nil {
		return nil, s.clean(ctx, err)
	}
	defer func() { _ = q.tx.Rollback() }() // nothing was written
	args := []any{us(now), limit}
	if practice != "" {
		args = append(args, practice)
	}
	var out []DueCare
	err = q.list(ctx, &out, st, args...)
	return out, s.clean(ctx, err)
}
