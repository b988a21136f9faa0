package store

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/binary"
	"encoding/json"
	"errors"
	"hash"

	"github.com/lib/pq"
)

// A practice's head numbers its audit trail and its change log. Since every
// writer holds the row until its commit, numbers appear in the order of
// commits: a reader who has seen number n has seen all before it.
type head struct {
	AuditSeq     int64  `db:"audit_seq"`
	AuditHash    []byte `db:"audit_hash"`
	ChangeSeq    int64  `db:"change_seq"`
	ChangeFloor  int64  `db:"change_floor"`
	DiaryVersion int64  `db:"diary_version"`
	SetupVersion int64  `db:"setup_version"`
	// DueUS is when the next appointment of the practice ends by itself, 0 for
	// none. On PostgreSQL it is as of before the wait for the lock: an
	// appointment made meanwhile is not due for a minute, and one that another
	// has ended meanwhile costs a look in vain.
	DueUS int64 `db:"due_us"`
}

const headNow = `
	SELECT audit_seq, audit_hash, change_seq, change_floor, diary_version, setup_version,
		coalesce((SELECT min(due_us) FROM appointments WHERE practice_id = ?1 AND due_us > 0), 0) AS due_us
	FROM practice_heads h WHERE practice_id = ?1`

var (
	stmtHeadLock = differs("head lock", headNow, headNow+` FOR NO KEY UPDATE OF h`, true)
	stmtHeadGet  = reads("head get", headNow)
	stmtHeadPut  = differs("head put", `
		UPDATE practice_heads SET audit_seq = ?2, audit_hash = ?3, change_seq = ?4, diary_version = ?5, setup_version = ?6
		WHERE practice_id = ?1`, "", true)
	stmtAuditPut = differs("audit put", `
		INSERT INTO audit (practice_id, seq, at_us, actor, role, acting_for, method, resource, request_id, correlation, outcome, fields, times, prev_hash, hash)
		VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15)`, "", true)
	stmtChangePut = differs("change put", `
		INSERT INTO changes (practice_id, seq, at_us, kind, resource, etag, actor) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)`, "", true)
	// All that a transaction leaves behind, in one round trip.
	stmtLeave = differs("leave", "", `
		WITH c AS (
			INSERT INTO changes (practice_id, seq, at_us, kind, resource, etag, actor)
			SELECT ?1, ?7 + n, ?8, kind, resource, etag, ?9
			FROM unnest(?10::text[], ?11::text[], ?12::text[]) WITH ORDINALITY AS c(kind, resource, etag, n)
		), a AS (
			INSERT INTO audit (practice_id, seq, at_us, actor, role, acting_for, method, resource, request_id, correlation, outcome, fields, times, prev_hash, hash)
			SELECT ?1, seq, at_us, actor, role, acting_for, method, resource, request_id, correlation, outcome, fields, times, prev_hash, hash
			FROM unnest(?13::bigint[], ?14::bigint[], ?15::text[], ?16::text[], ?17::text[], ?18::text[], ?19::text[], ?20::text[], ?21::text[], ?22::text[], ?23::text[], ?24::bigint[], ?25::bytea[], ?26::bytea[])
			AS e(seq, at_us, actor, role, acting_for, method, resource, request_id, correlation, outcome, fields, times, prev_hash, hash)
		), d AS (
			INSERT INTO diary_days (practice_id, day, version, masks)
			SELECT ?1, day, ?5, masks FROM unnest(?27::bigint[], ?28::bytea[]) AS d(day, masks)
			ON CONFLICT (practice_id, day) DO UPDATE SET version = excluded.version, masks = excluded.masks
		)
		UPDATE practice_heads SET audit_seq = ?2, audit_hash = ?3, change_seq = ?4, diary_version = ?5, setup_version = ?6
		WHERE practice_id = ?1`, true)
)

// lockHead makes this transaction the practice's only writer until it ends.
// What is checked after it cannot be overtaken.
func (t *tx) lockHead(ctx context.Context) error {
	if t.head != nil {
		return nil
	}
	var h head
	if err := t.get(ctx, &h, stmtHeadLock, t.call.Practice); err != nil {
		if errors.Is(err, sql.ErrNoRows) {
			return notFound("practices/" + t.call.Practice)
		}
		return err
	}
	t.head = &h
	return nil
}

// leave writes the changes, the audit entries and the head.
func (t *tx) leave(ctx context.Context) error {
	var entries []*AuditEntry
	if !t.silent {
		e := entryOf(t.call, t.resource, "ok", t.fields)
		entries = append(entries, &e)
	}
	for _, more := range t.also {
		e := entryOf(t.call, more.resource, "ok", more.fields)
		entries = append(entries, &e)
	}
	for _, e := range entries {
		e.Time = t.now
	}
	return t.leaveWith(ctx, entries)
}

// leaveWith writes the changes, these audit entries and the head.
func (t *tx) leaveWith(ctx context.Context, entries []*AuditEntry) error {
	before := t.head.ChangeSeq
	for i := range t.changes {
		t.head.ChangeSeq++
		t.changes[i].Seq = t.head.ChangeSeq
	}
	if t.s.postgres {
		return t.leavePostgres(ctx, before, entries)
	}
	for _, c := range t.changes {
		if _, err := t.exec(ctx, stmtChangePut, t.call.Practice, c.Seq, us(c.Time), c.Kind, c.Resource, c.Etag, c.Actor); err != nil {
			return err
		}
	}
	for _, e := range entries {
		if err := t.appendAudit(ctx, e); err != nil {
			return err
		}
	}
	h := t.head
	_, err := t.exec(ctx, stmtHeadPut, t.call.Practice, h.AuditSeq, h.AuditHash, h.ChangeSeq, h.DiaryVersion, h.SetupVersion)
	return err
}

func (t *tx) leavePostgres(ctx context.Context, changesBefore int64, entries []*AuditEntry) error {
	kinds, resources, etags := make([]string, len(t.changes)), make([]string, len(t.changes)), make([]string, len(t.changes))
	for i, c := range t.changes {
		kinds[i], resources[i], etags[i] = c.Kind, c.Resource, c.Etag
	}
	n := len(entries)
	seq, at, times := make([]int64, n), make([]int64, n), make([]int64, n)
	text := [9]pq.StringArray{}
	for i := range text {
		text[i] = make([]string, n)
	}
	prev, hashes := make([][]byte, n), make([][]byte, n)
	for i, e := range entries {
		fields := e.link(t.call.Practice, t.head)
		seq[i], at[i], times[i] = e.Seq, us(e.Time), int64(e.Times)
		for j, v := range []string{e.Actor, string(e.Role), e.ActingFor, e.Method, e.Resource, e.RequestID, e.Correlation, e.Outcome, fields} {
			text[j][i] = v
		}
		prev[i], hashes[i] = e.PrevHash[:], e.Hash[:]
	}
	days, masks := make([]int64, len(t.dayRows)), make([][]byte, len(t.dayRows))
	for i, d := range t.dayRows {
		days[i], masks[i] = d.Day, d.Masks
	}
	h := t.head
	_, err := t.exec(ctx, stmtLeave, t.call.Practice, h.AuditSeq, h.AuditHash, h.ChangeSeq, h.DiaryVersion, h.SetupVersion,
		changesBefore, us(t.now), t.call.Actor, pq.StringArray(kinds), pq.StringArray(resources), pq.StringArray(etags),
		pq.Int64Array(seq), pq.Int64Array(at), text[0], text[1], text[2], text[3], text[4], text[5], text[6], text[7], text[8],
		pq.Int64Array(times), pq.ByteaArray(prev), pq.ByteaArray(hashes), pq.Int64Array(days), pq.ByteaArray(masks))
	return err
}

func (t *tx) appendAudit(ctx context.Context, e *AuditEntry) error {
	fields := e.link(t.call.Practice, t.head)
	_, err := t.exec(ctx, stmtAuditPut, t.call.Practice, e.Seq, us(e.Time), e.Actor, string(e.Role), e.ActingFor, e.Method,
		e.Resource, e.RequestID, e.Correlation, e.Outcome, fields, e.Times, e.PrevHash[:], e.Hash[:])
	return err
}

func entryOf(c Call, resource, outcome string, fields []string) AuditEntry {
	return AuditEntry{Actor: c.Actor, Role: c.Role, ActingFor: c.ActingFor, Method: c.Method, Resource: resource,
		RequestID: c.RequestID, Correlation: c.Correlation, Outcome: outcome, Fields: fields, Times: 1}
}

// link makes e the next entry of the chain and returns its fields as kept.
func (e *AuditEntry) link(practice string, h *head) string {
	h.AuditSeq++
	e.Seq = h.AuditSeq
	copy(e.PrevHash[:], h.AuditHash)
	text := "[]"
	if len(e.Fields) > 0 {
		b, _ := json.Marshal(e.Fields) // strings always marshal
		text = string(b)
	}
	e.Hash = e.chainHash(practice)
	h.AuditHash = e.Hash[:]
	return text
}

// chainHash covers every column and the hash of the entry before. Each part has
// its length before it, so that two different entries never read the same.
func (e *AuditEntry) chainHash(practice string) [32]byte {
	sum := sha256.New()
	sum.Write(e.PrevHash[:])
	number(sum, e.Seq)
	number(sum, us(e.Time))
	number(sum, int64(e.Times))
	for _, part := range []string{practice, e.Actor, string(e.Role), e.ActingFor, e.Method, e.Resource, e.RequestID, e.Correlation, e.Outcome} {
		number(sum, int64(len(part)))
		sum.Write([]byte(part))
	}
	number(sum, int64(len(e.Fields)))
	for _, f := range e.Fields {
		number(sum, int64(len(f)))
		sum.Write([]byte(f))
	}
	return [32]byte(sum.Sum(nil))
}

func number(to hash.Hash, v int64) {
	var b [8]byte
	binary.BigEndian.PutUint64(b[:], uint64(v))
	to.Write(b[:])
}
