package store

import (
	"context"
	"slices"
	"time"
)

// messageRetention is how long a message is kept: a year's figures and a month.
const messageRetention = 400 * 24 * time.Hour

var (
	stmtCausesTake = differs("causes take", `
		DELETE FROM causes WHERE seq IN (SELECT seq FROM causes WHERE ?1 = '' OR practice_id = ?1 ORDER BY seq LIMIT ?2)
		RETURNING practice_id, kind, ref`, `
		WITH taken AS MATERIALIZED (SELECT seq FROM causes WHERE ?1 = '' OR practice_id = ?1 ORDER BY seq LIMIT ?2 FOR UPDATE SKIP LOCKED)
		DELETE FROM causes WHERE seq IN (SELECT seq FROM taken)
		RETURNING practice_id, kind, ref`, true)
	stmtCareNow       = writes("care now", `UPDATE care SET look_us = 1 WHERE practice_id = ?1 AND case_id = ?2`)
	stmtCareNowOfAppt = writes("care now of appointment", `
		UPDATE care SET look_us = 1 WHERE practice_id = ?1
		AND case_id IN (SELECT case_id FROM appointment_cases WHERE practice_id = ?1 AND appointment_id = ?2)`)
	stmtCareNowOfDead = writes("care now of patient", `
		UPDATE care SET look_us = 1 WHERE practice_id = ?1 AND patient_id = (SELECT patient_id FROM cases WHERE practice_id = ?1 AND id = ?2)`)
	stmtCareNowAll = writes("care now of practice", `
		UPDATE care SET look_us = 1 WHERE practice_id = ?1 AND look_us <> 1
		AND EXISTS (SELECT 1 FROM follow_ups f WHERE f.practice_id = care.practice_id AND f.case_id = care.case_id)`)
	stmtCareBegin = writes("care begin", `
		INSERT INTO care (practice_id, case_id, patient_id, sealed, look_us, row_version, update_us)
		SELECT practice_id, id, patient_id, ?3, 1, 1, ?4 FROM cases WHERE practice_id = ?1 AND id = ?2
		ON CONFLICT (practice_id, case_id) DO UPDATE SET look_us = 1`)
	stmtJobBegin = writes("job begin", `
		INSERT INTO job_runs (job, start_us, success_us, next_us, took_us, failures, in_a_row, done) VALUES (?1, ?2, 0, ?3, 0, 0, 0, 0)
		ON CONFLICT (job) DO UPDATE SET start_us = excluded.start_us, next_us = excluded.next_us WHERE job_runs.next_us <= excluded.start_us`)
	stmtJobEnd = writes("job end", `
		UPDATE job_runs SET took_us = ?3, done = ?4, failures = failures + ?5, in_a_row = CASE WHEN ?5 = 1 THEN in_a_row + 1 ELSE 0 END,
			success_us = CASE WHEN ?5 = 1 THEN success_us ELSE ?2 END WHERE job = ?1`)
	stmtJobs = reads("jobs", `SELECT job, start_us, success_us, next_us, took_us, failures, in_a_row, done FROM job_runs ORDER BY job`)

	stmtMessagesOld = writes("messages old", `
		DELETE FROM messages WHERE (practice_id, id) IN (SELECT practice_id, id FROM messages
			WHERE state IN ('sent', 'cancelled', 'failed', 'call', 'uncertain') AND create_us < ?1 LIMIT ?2)`)
)

type causeRow struct {
	Practice string `db:"practice_id"`
	Kind     string `db:"kind"`
	Ref      string `db:"ref"`
}

// TakeCauses takes what changed and makes the cases concerned due at once. The
// causes go with the commit that does so: a process that dies before it leaves
// them for the next.
func (s *Store) TakeCauses(ctx context.Context, practice string, limit int, plan PlanAppointment) (int, error) {
	return sweep(ctx, s, practice, func(t *tx) (int, error) {
		var rows []causeRow
		if err := t.list(ctx, &rows, stmtCausesTake, practice, limit); err != nil {
			return 0, err
		}
		n := len(rows)
		slices.SortFunc(rows, func(a, b causeRow) int {
			return compareText(a.Practice, b.Practice, a.Kind, b.Kind, a.Ref, b.Ref)
		})
		for _, c := range slices.Compact(rows) {
			t.call.Practice = c.Practice
			if err := t.cause(ctx, c, plan); err != nil {
				return 0, err
			}
		}
		return n, nil
	})
}

func compareText(pairs ...string) int {
	for i := 0; i < len(pairs); i += 2 {
		switch {
		case pairs[i] < pairs[i+1]:
			return -1
		case pairs[i] > pairs[i+1]:
			return 1
		}
	}
	return 0
}

func (t *tx) cause(ctx context.Context, c causeRow, plan PlanAppointment) error {
	switch c.Kind {
	case "visit":
		_, err := t.exec(ctx, stmtCareBegin, c.Practice, c.Ref, []byte{}, us(t.now))
		return err
	case "case":
		_, err := t.exec(ctx, stmtCareNow, c.Practice, c.Ref)
		return err
	case "hours":
		_, err := t.exec(ctx, stmtCareNowAll, c.Practice)
		return err
	}
	if _, err := t.exec(ctx, stmtCareNowOfAppt, c.Practice, c.Ref); err != nil {
		return err
	}
	var row appointmentRow
	if err := t.get(ctx, &row, stmtAppointmentGet, c.Practice, c.Ref); err != nil {
		if noRows(err) {
			return nil
		}
		return err
	}
	a, err := t.s.appointment(c.Practice, row)
	if err != nil {
		return err
	}
	var rows []messageRow
	if err := t.list(ctx, &rows, stmtMessagesOfAppt, c.Practice, c.Ref); err != nil {
		return err
	}
	known := make([]Message, len(rows))
	for i, r := range rows {
		known[i] = r.message()
	}
	holds := us(a.Start)
	if a.State != StateBooked {
		holds = 0 // nothing that was planned holds any more
	}
	if _, err := t.exec(ctx, stmtMessagesApptStale, c.Practice, c.Ref, holds); err != nil {
		return err
	}
	owed, err := plan(ctx, c.Practice, a, known, t.now)
	if err != nil {
		return err
	}
	for _, m := range owed {
		if err := t.putMessage(ctx, m); err != nil {
			return err
		}
	}
	return nil
}

// BeginJob reports whether this replica may run the job now.
func (s *Store) BeginJob(ctx context.Context, id string, every time.Duration) (bool, error) {
	return sweep(ctx, s, "", func(t *tx) (bool, error) {
		n, err := t.exec(ctx, stmtJobBegin, id, us(t.now), us(t.now.Add(every)))
		return n > 0, err
	})
}

// EndJob keeps how a run went.
func (s *Store) EndJob(ctx context.Context, id string, took time.Duration, did int, failed bool) error {
	_, err := sweep(ctx, s, "", func(t *tx) (int64, error) {
		return t.exec(ctx, stmtJobEnd, id, us(t.now), took.Microseconds(), did, bit(failed))
	})
	return err
}

// ListJobs returns every job that has run, by id.
func (s *Store) ListJobs(ctx context.Context) ([]Job, error) {
	q, _, err := s.begin(ctx, everyPractice, true)
	if err != nil {
		return nil, s.clean(ctx, err)
	}
	defer func() { _ = q.tx.Rollback() }() // nothing was written
	var rows []struct {
		Job       string `db:"job"`
		StartUS   int64  `db:"start_us"`
		SuccessUS int64  `db:"success_us"`
		NextUS    int64  `db:"next_us"`
		TookUS    int64  `db:"took_us"`
		Failures  int64  `db:"failures"`
		InARow    int64  `db:"in_a_row"`
		Done      int64  `db:"done"`
	}
	err = q.list(ctx, &rows, stmtJobs)
	out := make([]Job, len(rows))
	for i, r := range rows {
		out[i] = Job{ID: r.Job, Start: fromUS(r.StartUS), Success: fromUS(r.SuccessUS), Next: fromUS(r.NextUS),
			Took: time.Duration(r.TookUS) * time.Microsecond, Failures: r.Failures, InARow: r.InARow, Did: r.Done}
	}
	return out, s.clean(ctx, err)
}

// Retain drops messages that were made more than 400 days ago and have ended.
func (s *Store) Retain(ctx context.Context, limit int) (int, error) {
	return sweep(ctx, s, "", func(t *tx) (int, error) {
		n, err := t.exec(ctx, stmtMessagesOld, us(t.now.Add(-messageRetention)), limit)
		if err == nil {
			_, err = t.exec(ctx, stmtSessionsOld, us(t.now.Add(-SessionRetention)))
		}
		if err == nil {
			_, err = t.exec(ctx, stmtAttemptsOld, us(t.now))
		}
		return int(n), err
	})
}
