package store

import (
	"context"
	"crypto/sha256"
	"database/sql"
	"encoding/binary"
	"encoding/json"
	"errors"
	"hash"
)

// A practice's head numbers its audit trail and its change log. Since every
// writer holds the row from here to its commit, numbers appear in the order of
// commits: a reader who has seen number n has seen all before it.
type head struct {
	AuditSeq     int64  `db:"audit_seq"`
	AuditHash    []byte `db:"audit_hash"`
	ChangeSeq    int64  `db:"change_seq"`
	ChangeFloor  int64  `db:"change_floor"`
	DiaryVersion int64  `db:"diary_version"`
	SetupVersion int64  `db:"setup_version"`
}

var (
	stmtHeadLock = differs("head lock", `
		SELECT audit_seq, audit_hash, change_seq, change_floor, diary_version, setup_version
		FROM practice_heads WHERE practice_id = ?1`, `
		SELECT audit_seq, audit_hash, change_seq, change_floor, diary_version, setup_version
		FROM practice_heads WHERE practice_id = ?1 FOR NO KEY UPDATE`, true)
	stmtHeadGet = reads("head get", `
		SELECT audit_seq, audit_hash, change_seq, change_floor, diary_version, setup_version
		FROM practice_heads WHERE practice_id = ?1`)
	stmtHeadPut = writes("head put", `
		UPDATE practice_heads SET audit_seq = ?2, audit_hash = ?3, change_seq = ?4, diary_version = ?5, setup_version = ?6
		WHERE practice_id = ?1`)
	stmtAuditPut = writes("audit put", `
		INSERT INTO audit (practice_id, seq, at_us, actor, role, acting_for, method, resource, request_id, correlation, outcome, fields, times, prev_hash, hash)
		VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15)`)
	stmtChangePut = writes("change put", `
		INSERT INTO changes (practice_id, seq, at_us, kind, resource, etag, actor) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7)`)
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

// leave writes the changes, the audit entry and the head.
func (t *tx) leave(ctx context.Context) error {
	h := t.head
	for i := range t.changes {
		h.ChangeSeq++
		c := &t.changes[i]
		c.Seq = h.ChangeSeq
		if _, err := t.exec(ctx, stmtChangePut, t.call.Practice, c.Seq, us(c.Time), c.Kind, c.Resource, c.Etag, c.Actor); err != nil {
			return err
		}
	}
	if !t.silent {
		e := entryOf(t.call, t.resource, "ok", t.fields)
		e.Time = t.now
		if err := t.appendAudit(ctx, &e); err != nil {
			return err
		}
	}
	_, err := t.exec(ctx, stmtHeadPut, t.call.Practice, h.AuditSeq, h.AuditHash, h.ChangeSeq, h.DiaryVersion, h.SetupVersion)
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
