package store

import (
	"context"
	"time"
)

const sessionColumns = `id, person_id, hash, client, create_us, expire_us, idle_us, used_us, end_us`

var (
	// One look finds the session and the person as they are now.
	stmtSessionGet = reads("session get", `
		SELECT s.id AS session_id, s.person_id, s.hash, s.client, s.create_us AS begin_us, s.expire_us, s.idle_us, s.used_us, s.end_us,
			p.id, p.sign_in_name, p.name_key, p.display_name, p.role, p.clinician, p.active, p.secret_us, p.row_version, p.create_us, p.update_us
		FROM sessions s JOIN people p ON p.practice_id = s.practice_id AND p.id = s.person_id
		WHERE s.practice_id = ?1 AND s.id = ?2`)
	stmtSessionPut = writes("session put", `
		INSERT INTO sessions (practice_id, `+sessionColumns+`) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?6, 0)`)
	stmtSessionUse = writes("session use", `
		UPDATE sessions SET used_us = ?3 WHERE practice_id = ?1 AND id = ?2 AND end_us = 0 AND used_us <= ?4 AND used_us + idle_us > ?3`)
	stmtSessionEnd = writes("session end", `
		UPDATE sessions SET end_us = ?3 WHERE practice_id = ?1 AND id = ?2 AND end_us = 0`)
	stmtSessionsEnd = writes("sessions end", `
		UPDATE sessions SET end_us = ?3 WHERE practice_id = ?1 AND person_id = ?2 AND id <> ?4 AND end_us = 0`)
	stmtSessionsOld = writes("sessions old", `DELETE FROM sessions WHERE expire_us < ?1`)

	// A theoretical arrival time for each key, moved on by one interval.
	stmtAttemptTake = writes("attempt take", `
		INSERT INTO sign_in_attempts (practice_id, name_hash, next_us) VALUES (?1, ?2, CAST(?3 AS BIGINT) + CAST(?4 AS BIGINT))
		ON CONFLICT (practice_id, name_hash) DO UPDATE SET
			next_us = CASE WHEN sign_in_attempts.next_us > CAST(?3 AS BIGINT) THEN sign_in_attempts.next_us ELSE CAST(?3 AS BIGINT) END + CAST(?4 AS BIGINT)
		RETURNING next_us`)
	stmtAttemptReturn = writes("attempt return", `
		UPDATE sign_in_attempts SET next_us = next_us - ?3 WHERE practice_id = ?1 AND name_hash = ?2`)
	stmtAttemptDrop = writes("attempt drop", `DELETE FROM sign_in_attempts WHERE practice_id = ?1 AND name_hash = ?2`)
	stmtAttemptsOld = writes("attempts old", `DELETE FROM sign_in_attempts WHERE next_us < ?1`)
)

type sessionRow struct {
	SessionID string `db:"session_id"`
	PersonID  string `db:"person_id"`
	Hash      []byte `db:"hash"`
	Client    string `db:"client"`
	BeginUS   int64  `db:"begin_us"`
	ExpireUS  int64  `db:"expire_us"`
	IdleUS    int64  `db:"idle_us"`
	UsedUS    int64  `db:"used_us"`
	EndUS     int64  `db:"end_us"`
	personRow
}

func (r sessionRow) session(practice string) Session {
	out := Session{ID: r.SessionID, Practice: practice, PersonID: r.PersonID, Client: r.Client, CreateTime: fromUS(r.BeginUS),
		ExpireTime: fromUS(r.ExpireUS), Idle: time.Duration(r.IdleUS) * time.Microsecond, UseTime: fromUS(r.UsedUS), EndTime: fromUS(r.EndUS),
		Person: r.record()}
	copy(out.Hash[:], r.Hash)
	return out
}

// BeginSession keeps a session of a person whose passphrase was checked.
func (s *Store) BeginSession(ctx context.Context, call Call, n NewSession) (Session, error) {
	switch {
	case !validID(n.ID):
		return Session{}, invalid("session", "an id made by store/access")
	case len(n.Client) > 400:
		return Session{}, invalid("client", "at most 400 bytes")
	case n.Lifetime <= 0 || n.Idle <= 0:
		return Session{}, invalid("session", "a lifetime and an idle limit above 0")
	}
	return write(ctx, s, call, func(t *tx) (Session, error) {
		row, err := t.personToChange(ctx, n.Person)
		if err != nil {
			return Session{}, err
		}
		if !row.Active || row.SecretUS == 0 || row.SecretUS != us(n.SecretTime) {
			return Session{}, wrongState("people/"+n.Person, "a person who may sign in")
		}
		end := t.now.Add(n.Lifetime)
		if _, err := t.exec(ctx, stmtSessionPut, call.Practice, n.ID, n.Person, n.Hash[:], n.Client, us(t.now), us(end), n.Idle.Microseconds()); err != nil {
			return Session{}, err
		}
		if err := t.returnAttempt(ctx, row.NameKey); err != nil {
			return Session{}, err
		}
		t.about("people/" + n.Person)
		return Session{ID: n.ID, Practice: call.Practice, PersonID: n.Person, Hash: n.Hash, Client: n.Client, CreateTime: t.now,
			ExpireTime: end.Truncate(time.Microsecond), Idle: n.Idle.Truncate(time.Microsecond), UseTime: t.now, Person: row.record()}, nil
	})
}

// EndSession ends a session at once.
func (s *Store) EndSession(ctx context.Context, call Call, id string) error {
	_, err := write(ctx, s, call, func(t *tx) (struct{}, error) {
		n, err := t.exec(ctx, stmtSessionEnd, call.Practice, id, us(t.now))
		if err == nil && n == 0 {
			err = notFound("sessions/" + id)
		}
		t.about("sessions/" + id)
		return struct{}{}, err
	})
	return err
}

// endSessions ends all sessions of a person but one.
func (t *tx) endSessions(ctx context.Context, person, keep string) error {
	_, err := t.exec(ctx, stmtSessionsEnd, t.call.Practice, person, us(t.now), keep)
	return err
}

// FindSession returns a session with the store's time of looking.
func (s *Store) FindSession(ctx context.Context, practice, id string) (Session, time.Time, error) {
	var row sessionRow
	var at time.Time
	err := s.glance(ctx, Call{Practice: practice}, func(q querier, now time.Time) error {
		at = now
		return q.get(ctx, &row, stmtSessionGet, practice, id)
	})
	return row.session(practice), at, err
}

// UseSession notes that a session is in use. One that has idled out or ended
// stays so.
func (s *Store) UseSession(ctx context.Context, practice, id string) error {
	_, err := write(ctx, s, Call{Practice: practice}, func(t *tx) (struct{}, error) {
		t.silent = true // a note of every minute would drown the trail
		_, err := t.exec(ctx, stmtSessionUse, practice, id, us(t.now), us(t.now.Add(-UseNoted)))
		return struct{}{}, err
	})
	return err
}

// TakeAttempt spends one attempt to sign in under a name, and one of the
// practice's. What is kept is a keyed hash: people type passphrases where a
// name belongs.
func (s *Store) TakeAttempt(ctx context.Context, practice, signInName string) (time.Duration, error) {
	var wait time.Duration
	_, err := write(ctx, s, Call{Practice: practice}, func(t *tx) (struct{}, error) {
		t.silent = true
		wait = 0
		for _, a := range []struct {
			key   []byte
			most  int
			every time.Duration
		}{{t.attemptKey(NameKey(signInName)), NameAttempts, NameEvery}, {practiceKey, PracticeAttempts, PracticeEvery}} {
			var next int64
			if err := t.row(ctx, stmtAttemptTake, practice, a.key, us(t.now), a.every.Microseconds()).Scan(&next); err != nil {
				return struct{}{}, err
			}
			wait = max(wait, fromUS(next).Sub(t.now)-time.Duration(a.most)*a.every)
		}
		if wait > 0 {
			return struct{}{}, &Problem{Kind: ErrBusy} // keeps neither
		}
		return struct{}{}, nil
	})
	if wait > 0 {
		return wait, nil
	}
	return 0, err
}

// practiceKey stands for all names of a practice together.
var practiceKey = []byte{}

func (t *tx) attemptKey(nameKey string) []byte {
	return t.s.keys.wordHash(t.call.Practice, "sign-in:"+nameKey)
}

// ReturnAttempt gives back what TakeAttempt spent.
func (s *Store) ReturnAttempt(ctx context.Context, practice, signInName string) error {
	_, err := write(ctx, s, Call{Practice: practice}, func(t *tx) (struct{}, error) {
		t.silent = true
		return struct{}{}, t.returnAttempt(ctx, NameKey(signInName))
	})
	return err
}

func (t *tx) returnAttempt(ctx context.Context, nameKey string) error {
	if _, err := t.exec(ctx, stmtAttemptDrop, t.call.Practice, t.attemptKey(nameKey)); err != nil {
		return err
	}
	_, err := t.exec(ctx, stmtAttemptReturn, t.call.Practice, practiceKey, PracticeEvery.Microseconds())
	return err
}
