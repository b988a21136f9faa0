package store

import (
	"context"
	"errors"
	"strings"
	"time"
)

const messageColumns = `practice_id, id, occasion, patient_id, case_id, follow_key, appointment_id, start_us, kind, routine, state, attempt, not_before_us, useless_us, channel, problem, send_us`

const (
	// stoppedSending is the problem of a message whose sender was not heard of
	// again.
	stoppedSending = "the sender stopped while it was leaving"
	// sentByHouse leaves out practices whose messages an integration sends.
	sentByHouse = `NOT EXISTS (SELECT 1 FROM message_carriers c WHERE c.practice_id = m.practice_id)`
)

var (
	stmtMessagePut = writes("message put", `
		INSERT INTO messages (practice_id, id, occasion, patient_id, case_id, follow_key, appointment_id, start_us, kind, routine, state, attempt,
			not_before_us, useless_us, lease_us, worker, routine_day, channel, problem, send_us, create_us)
		VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, 'waiting', 0, ?11, ?12, 0, '', '', '', '', 0, ?13)
		ON CONFLICT (practice_id, occasion) DO UPDATE SET not_before_us = excluded.not_before_us, useless_us = excluded.useless_us
		WHERE messages.state = 'waiting' AND messages.attempt = 0`)
	stmtMessageGet        = reads("message get", `SELECT `+messageColumns+` FROM messages WHERE practice_id = ?1 AND id = ?2`)
	stmtMessagesOfAppt    = reads("messages of appointment", `SELECT `+messageColumns+` FROM messages WHERE practice_id = ?1 AND appointment_id = ?2`)
	stmtMessagesApptStale = writes("messages of appointment over", `
		UPDATE messages SET state = 'cancelled', problem = 'the appointment was moved or will not take place'
		WHERE practice_id = ?1 AND appointment_id = ?2 AND state = 'waiting' AND (start_us <> ?3)`)
	stmtMessagesCaseOver = writes("messages of case over", `
		UPDATE messages SET state = 'cancelled', problem = 'what it asked for was done, booked or ended'
		WHERE practice_id = ?1 AND case_id = ?2 AND state = 'waiting' AND NOT EXISTS (
			SELECT 1 FROM follow_ups f WHERE f.practice_id = ?1 AND f.case_id = ?2 AND f.key = messages.follow_key AND f.state <> 'booked')`)
	stmtMessageClaim = differs("message claim", `
		UPDATE messages SET state = 'claimed', attempt = attempt + 1, lease_us = ?2, worker = ?3
		WHERE state = 'waiting' AND (practice_id, id) IN (
			SELECT practice_id, id FROM messages m WHERE state = 'waiting' AND not_before_us <= ?1 AND `+sentByHouse+` ORDER BY not_before_us, practice_id, id LIMIT ?4)
		RETURNING `+messageColumns, `
		WITH due AS MATERIALIZED ( -- else PostgreSQL may work it out anew for each row, past its limit
			SELECT practice_id, id FROM messages m WHERE state = 'waiting' AND not_before_us <= ?1 AND `+sentByHouse+` ORDER BY not_before_us, practice_id, id LIMIT ?4
			FOR UPDATE OF m SKIP LOCKED)
		UPDATE messages SET state = 'claimed', attempt = attempt + 1, lease_us = ?2, worker = ?3
		WHERE state = 'waiting' AND (practice_id, id) IN (SELECT practice_id, id FROM due)
		RETURNING `+messageColumns, true)
	// Who died holding a claim had sent nothing; who died sending may have: both
	// are tried again under the same id.
	stmtMessageRescue = writes("message rescue", `
		UPDATE messages SET state = 'waiting', not_before_us = ?1, routine_day = CASE state WHEN 'sending' THEN routine_day ELSE '' END,
			problem = CASE state WHEN 'sending' THEN '`+stoppedSending+`' ELSE problem END
		WHERE state IN ('claimed', 'sending') AND lease_us <= ?1`)
	stmtMessageStep = writes("message step", `
		UPDATE messages SET state = ?5, channel = ?6, problem = ?7, not_before_us = coalesce(nullif(CAST(?8 AS BIGINT), 0), not_before_us),
			routine_day = ?9, send_us = CASE WHEN ?5 = 'sent' THEN ?10 ELSE send_us END,
			lease_us = CASE WHEN CAST(?11 AS BIGINT) > lease_us THEN ?11 ELSE lease_us END
		WHERE practice_id = ?1 AND id = ?2 AND attempt = ?3 AND state = ?4 AND (?4 <> 'claimed' OR lease_us > ?10)`)
	stmtMessageDay  = reads("message day", `SELECT routine_day FROM messages WHERE practice_id = ?1 AND id = ?2`)
	stmtMessagePage = reads("message page", `
		SELECT `+messageColumns+` FROM messages WHERE practice_id = ?1 AND id < ?2 AND (?3 = '' OR state = ?3) AND (?4 = '' OR patient_id = ?4)
		ORDER BY id DESC LIMIT ?5`)
	stmtMessageAgain = writes("message again", `
		UPDATE messages SET state = 'waiting', not_before_us = ?3, problem = '' WHERE practice_id = ?1 AND id = ?2 AND state IN ('failed', 'uncertain', 'call')`)
	stmtWishesGet = reads("wishes get", `
		SELECT patient_id, channel, opted_out, language, consent_day FROM contact_wishes WHERE practice_id = ?1 AND patient_id = ?2`)
	stmtWishesPut = writes("wishes put", `
		INSERT INTO contact_wishes (practice_id, patient_id, channel, opted_out, language, consent_day, update_us) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)
		ON CONFLICT (practice_id, patient_id) DO UPDATE SET channel = excluded.channel, opted_out = excluded.opted_out,
			language = excluded.language, consent_day = excluded.consent_day, update_us = excluded.update_us`)
	stmtPatientDied = reads("patient died", `
		SELECT count(*) FROM cases WHERE practice_id = ?1 AND patient_id = ?2 AND closing_reason = 'died'`)
	stmtFollowUpOf = reads("follow up get", `SELECT state, actor, target FROM follow_ups WHERE practice_id = ?1 AND case_id = ?2 AND key = ?3`)
)

type messageRow struct {
	Practice    string `db:"practice_id"`
	ID          string `db:"id"`
	Occasion    string `db:"occasion"`
	PatientID   string `db:"patient_id"`
	CaseID      string `db:"case_id"`
	FollowKey   string `db:"follow_key"`
	Appointment string `db:"appointment_id"`
	StartUS     int64  `db:"start_us"`
	Kind        string `db:"kind"`
	Routine     int    `db:"routine"`
	State       string `db:"state"`
	Attempt     int    `db:"attempt"`
	NotBeforeUS int64  `db:"not_before_us"`
	UselessUS   int64  `db:"useless_us"`
	Channel     string `db:"channel"`
	Problem     string `db:"problem"`
	SendUS      int64  `db:"send_us"`
}

func (r messageRow) message() Message {
	return Message{ID: r.ID, Practice: r.Practice, State: MessageState(r.State), Attempt: r.Attempt, Channel: r.Channel, Problem: r.Problem, SendTime: fromUS(r.SendUS),
		NewMessage: NewMessage{Occasion: r.Occasion, PatientID: r.PatientID, CaseID: r.CaseID, FollowKey: r.FollowKey, Appointment: r.Appointment,
			Start: fromUS(r.StartUS), Kind: r.Kind, Routine: r.Routine == 1, NotBefore: fromUS(r.NotBeforeUS), UselessAt: fromUS(r.UselessUS)}}
}

func bit(b bool) int {
	if b {
		return 1
	}
	return 0
}

func (t *tx) putMessage(ctx context.Context, m NewMessage) error {
	_, err := t.exec(ctx, stmtMessagePut, t.call.Practice, newID(t.now), m.Occasion, m.PatientID, m.CaseID, m.FollowKey, m.Appointment, us(m.Start),
		m.Kind, bit(m.Routine), us(m.NotBefore), us(m.UselessAt), us(t.now))
	return err
}

// sweep runs one transaction that leaves no entry in the audit trail: what a
// sweep does follows from what people did.
func sweep[T any](ctx context.Context, s *Store, practice string, fn func(*tx) (T, error)) (T, error) {
	scope := practice
	if scope == "" {
		scope = everyPractice
	}
	var zero T
	var err error
	for range tries {
		var out T
		out, err = sweepOnce(ctx, s, scope, practice, fn)
		if !errors.Is(err, errGaveWay) {
			if err != nil {
				return zero, outward(err)
			}
			return out, nil
		}
	}
	return zero, outward(err)
}

func sweepOnce[T any](ctx context.Context, s *Store, scope, practice string, fn func(*tx) (T, error)) (T, error) {
	var zero T
	q, now, err := s.begin(ctx, scope, false)
	if err != nil {
		return zero, s.clean(ctx, err)
	}
	defer func() { _ = q.tx.Rollback() }() // after a commit it does nothing
	t := &tx{inTx: q, s: s, call: maintenance(practice, "Sweep"), now: now}
	out, err := fn(t)
	if err == nil {
		err = q.tx.Commit()
	}
	return out, s.clean(ctx, err)
}

// ClaimMessages gives a worker messages that are due.
func (s *Store) ClaimMessages(ctx context.Context, worker string, limit int, lease time.Duration) ([]Message, error) {
	return sweep(ctx, s, "", func(t *tx) ([]Message, error) {
		if _, err := t.exec(ctx, stmtMessageRescue, us(t.now)); err != nil {
			return nil, err
		}
		var rows []messageRow
		if err := t.list(ctx, &rows, stmtMessageClaim, us(t.now), us(t.now.Add(lease)), worker, limit); err != nil {
			return nil, err
		}
		out := make([]Message, len(rows))
		for i, r := range rows {
			out[i] = r.message()
		}
		return out, nil
	})
}

// BeginSending looks at a claimed message once more and keeps what decide says.
func (s *Store) BeginSending(ctx context.Context, m Message, decide func(Standing) (Verdict, error)) (Verdict, error) {
	for {
		v, err := sweep(ctx, s, m.Practice, func(t *tx) (Verdict, error) {
			return t.decide(ctx, m, decide)
		})
		if !errors.Is(err, ErrExists) {
			return v, err
		}
		ask := decide
		decide = func(at Standing) (Verdict, error) {
			return anotherDay(m, at, func() (Verdict, error) { return ask(at) })
		}
	}
}

// anotherDay is the verdict on a message whose person has had a routine message
// of that day: the next day will do.
func anotherDay(m Message, at Standing, ask func() (Verdict, error)) (Verdict, error) {
	v, err := ask()
	if err == nil && v.RoutineDay != "" {
		v = Verdict{To: MessageWaiting, NotBefore: at.Now.Add(24 * time.Hour), Problem: "one routine message a day"}
		if !m.UselessAt.IsZero() && v.NotBefore.After(m.UselessAt) {
			v = Verdict{To: MessageCancelled, Problem: "another routine message took its day"}
		}
	}
	return v, err
}

// decide looks at a claimed message and keeps what is decided, if anything.
func (t *tx) decide(ctx context.Context, m Message, decide func(Standing) (Verdict, error)) (Verdict, error) {
	at, err := t.standing(ctx, m)
	if err != nil {
		return Verdict{}, err
	}
	v, err := decide(at)
	if err != nil || v.To == "" {
		return v, err
	}
	return v, t.step(ctx, m, MessageClaimed, v)
}

// EndSending keeps what became of a message.
func (s *Store) EndSending(ctx context.Context, m Message, v Verdict) error {
	_, err := sweep(ctx, s, m.Practice, func(t *tx) (struct{}, error) {
		// A message that may have left keeps its day.
		if v.RoutineDay == "" && v.To != MessageFailed {
			if err := t.get(ctx, &v.RoutineDay, stmtMessageDay, m.Practice, m.ID); err != nil {
				return struct{}{}, err
			}
		}
		return struct{}{}, t.step(ctx, m, MessageSending, v)
	})
	return err
}

// step moves a message on, fenced by the attempt that claimed it.
func (t *tx) step(ctx context.Context, m Message, from MessageState, v Verdict) error {
	n, err := t.exec(ctx, stmtMessageStep, m.Practice, m.ID, m.Attempt, string(from), string(v.To), v.Channel, v.Problem, us(v.NotBefore), v.RoutineDay, us(t.now), us(t.now.Add(v.Lease)))
	if err == nil && n == 0 {
		err = wrongState("messages/"+m.ID, "a message that this attempt still holds")
	}
	return err
}

func (t *tx) standing(ctx context.Context, m Message) (Standing, error) {
	out := Standing{Now: t.now}
	var patient patientRow
	err := t.get(ctx, &patient, stmtPatientGet, m.Practice, m.PatientID)
	if err == nil {
		out.Patient, err = t.s.patient(m.Practice, patient)
	}
	if err != nil {
		return out, err
	}
	out.Wishes, out.Agreed, err = t.s.wishes(ctx, t, m.Practice, m.PatientID)
	if err != nil {
		return out, err
	}
	var died int
	if err := t.get(ctx, &died, stmtPatientDied, m.Practice, m.PatientID); err != nil {
		return out, err
	}
	out.Died = died > 0
	if m.Appointment != "" {
		var row appointmentRow
		err := t.get(ctx, &row, stmtAppointmentGet, m.Practice, m.Appointment)
		if err != nil {
			return out, err
		}
		a, err := t.s.appointment(m.Practice, row)
		if err != nil {
			return out, err
		}
		out.Appointment = &a
	}
	if m.CaseID == "" {
		return out, nil
	}
	var c caseRow
	if err := t.get(ctx, &c, stmtCaseGet, m.Practice, m.CaseID); err != nil {
		return out, err
	}
	out.CaseClosed = c.State == string(CaseClosed)
	var f struct {
		State  string `db:"state"`
		Actor  string `db:"actor"`
		Target string `db:"target"`
	}
	if err := t.get(ctx, &f, stmtFollowUpOf, m.Practice, m.CaseID, m.FollowKey); err != nil && !noRows(err) {
		return out, err
	}
	out.FollowState, out.Actor, out.Target = f.State, f.Actor, f.Target
	return out, nil
}

func (s *Store) wishes(ctx context.Context, q querier, practice, patient string) (ContactWishes, bool, error) {
	var row struct {
		PatientID  string `db:"patient_id"`
		Channel    string `db:"channel"`
		OptedOut   int    `db:"opted_out"`
		Language   string `db:"language"`
		ConsentDay string `db:"consent_day"`
	}
	err := q.get(ctx, &row, stmtWishesGet, practice, patient)
	if noRows(err) {
		return ContactWishes{PatientID: patient, Channel: "none"}, false, nil
	}
	return ContactWishes{PatientID: row.PatientID, Channel: row.Channel, OptedOut: row.OptedOut == 1, Language: row.Language, ConsentDay: row.ConsentDay}, err == nil, err
}

// ListMessages returns a page of messages, the newest first.
func (s *Store) ListMessages(ctx context.Context, call Call, q MessageQuery) ([]Message, string, error) {
	before := q.Page.After
	if before == "" {
		before = lastKey
	} else if !validID(before) {
		return nil, "", invalid("page", "the cursor of the page before")
	}
	size := q.Page.Most()
	var rows []messageRow
	var at time.Time
	err := s.glance(ctx, call, func(r querier, now time.Time) error {
		at = now
		return r.list(ctx, &rows, stmtMessagePage, call.Practice, before, string(q.State), q.PatientID, size+1)
	})
	if err != nil {
		return nil, "", err
	}
	next := ""
	if len(rows) > size {
		rows = rows[:size]
		next = rows[size-1].ID
	}
	out := make([]Message, len(rows))
	for i, r := range rows {
		out[i] = r.message()
	}
	return out, next, s.access.record(ctx, call, "messages", at)
}

// RetryMessage puts a message back that people want tried again.
func (s *Store) RetryMessage(ctx context.Context, call Call, id string) (Message, error) {
	return write(ctx, s, call, func(t *tx) (Message, error) {
		n, err := t.exec(ctx, stmtMessageAgain, call.Practice, id, us(t.now))
		if err != nil {
			return Message{}, err
		}
		var row messageRow
		err = t.get(ctx, &row, stmtMessageGet, call.Practice, id)
		if noRows(err) {
			err = notFound("messages/" + id)
		}
		if err == nil && n == 0 {
			err = wrongState("messages/"+id, "a failed or uncertain message, or one on the call list")
		}
		t.about("messages/"+id, "state")
		return row.message(), err
	})
}

// GetContactWishes reads what a patient agreed to.
func (s *Store) GetContactWishes(ctx context.Context, call Call, patient string) (ContactWishes, error) {
	var out ContactWishes
	var at time.Time
	err := s.view(ctx, call, func(q querier, now time.Time) error {
		at = now
		var id string
		err := q.get(ctx, &id, stmtPatientThere, call.Practice, patient)
		if noRows(err) {
			err = notFound("patients/" + patient)
		}
		if err == nil {
			out, _, err = s.wishes(ctx, q, call.Practice, patient)
		}
		return err
	})
	if err != nil {
		return out, err
	}
	return out, s.access.record(ctx, call, "patients/"+patient+"/wishes", at)
}

// SetContactWishes keeps what a patient agreed to.
func (s *Store) SetContactWishes(ctx context.Context, call Call, w ContactWishes) (ContactWishes, error) {
	if len(w.Language) > 40 || strings.ContainsAny(w.Language, " \t\r\n") {
		return ContactWishes{}, invalid("language", "a language tag, for example en")
	}
	return write(ctx, s, call, func(t *tx) (ContactWishes, error) {
		if err := t.patientThere(ctx, w.PatientID); err != nil {
			return ContactWishes{}, err
		}
		if _, err := t.exec(ctx, stmtWishesPut, call.Practice, w.PatientID, w.Channel, bit(w.OptedOut), w.Language, w.ConsentDay, us(t.now)); err != nil {
			return ContactWishes{}, err
		}
		t.about("patients/"+w.PatientID, "channel", "opted_out", "language", "consent_day")
		return w, nil
	})
}
