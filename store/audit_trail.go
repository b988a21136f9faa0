package store

import (
	"context"
	"encoding/json"
	"strconv"
	"time"
)

const auditColumns = `seq, at_us, actor, role, acting_for, method, resource, request_id, correlation, outcome, fields, times, prev_hash, hash`

var (
	stmtAuditList = reads("audit list", `
		SELECT `+auditColumns+` FROM audit
		WHERE practice_id = ?1 AND seq < ?2 ORDER BY seq DESC LIMIT ?3`)
	stmtAuditListOf = reads("audit list of", `
		SELECT `+auditColumns+` FROM audit
		WHERE practice_id = ?1 AND resource = ?4 AND seq < ?2 ORDER BY seq DESC LIMIT ?3`)
	stmtAuditWalk = reads("audit walk", `
		SELECT `+auditColumns+` FROM audit
		WHERE practice_id = ?1 AND seq > ?2 ORDER BY seq LIMIT ?3`)
)

type auditRow struct {
	Seq         int64  `db:"seq"`
	AtUS        int64  `db:"at_us"`
	Actor       string `db:"actor"`
	Role        string `db:"role"`
	ActingFor   string `db:"acting_for"`
	Method      string `db:"method"`
	Resource    string `db:"resource"`
	RequestID   string `db:"request_id"`
	Correlation string `db:"correlation"`
	Outcome     string `db:"outcome"`
	Fields      string `db:"fields"`
	Times       int    `db:"times"`
	PrevHash    []byte `db:"prev_hash"`
	Hash        []byte `db:"hash"`
}

func (r auditRow) entry() AuditEntry {
	e := AuditEntry{Seq: r.Seq, Time: fromUS(r.AtUS), Actor: r.Actor, Role: Role(r.Role), ActingFor: r.ActingFor,
		Method: r.Method, Resource: r.Resource, RequestID: r.RequestID, Correlation: r.Correlation, Outcome: r.Outcome, Times: r.Times}
	_ = json.Unmarshal([]byte(r.Fields), &e.Fields) // a damaged list shows as a broken chain
	copy(e.PrevHash[:], r.PrevHash)
	copy(e.Hash[:], r.Hash)
	return e
}

// appendEntries writes entries that belong to no other change, in one transaction.
func (s *Store) appendEntries(ctx context.Context, practice string, entries []*AuditEntry) error {
	_, err := write(ctx, s, Call{Practice: practice}, func(t *tx) (struct{}, error) {
		t.silent = true
		if err := t.lockHead(ctx); err != nil {
			return struct{}{}, err
		}
		return struct{}{}, t.leaveWith(ctx, entries)
	})
	return err
}

// FlushAudit returns when the entries of all reads answered so far are written.
func (s *Store) FlushAudit(ctx context.Context) error { return s.access.flush(ctx) }

// RecordRefusal leaves an entry for a call that was refused.
func (s *Store) RecordRefusal(ctx context.Context, call Call, resource, reason string) error {
	e := entryOf(call, resource, reason, nil)
	_, err := write(ctx, s, Call{Practice: call.Practice}, func(t *tx) (struct{}, error) {
		t.silent = true
		if err := t.lockHead(ctx); err != nil {
			return struct{}{}, err
		}
		e.Time = t.now
		return struct{}{}, t.leaveWith(ctx, []*AuditEntry{&e})
	})
	return err
}

// ListAudit returns the trail, newest first.
func (s *Store) ListAudit(ctx context.Context, call Call, q AuditQuery) ([]AuditEntry, string, error) {
	before := int64(1) << 62
	if q.Page.After != "" {
		n, err := strconv.ParseInt(q.Page.After, 10, 64)
		if err != nil {
			return nil, "", invalid("page", "the cursor of the page before")
		}
		before = n
	}
	size := q.Page.Most()
	var rows []auditRow
	err := s.glance(ctx, call, func(r querier, _ time.Time) error {
		if q.Resource != "" {
			return r.list(ctx, &rows, stmtAuditListOf, call.Practice, before, size+1, q.Resource)
		}
		return r.list(ctx, &rows, stmtAuditList, call.Practice, before, size+1)
	})
	if err != nil {
		return nil, "", err
	}
	next := ""
	if len(rows) > size {
		rows = rows[:size]
		next = strconv.FormatInt(rows[size-1].Seq, 10)
	}
	out := make([]AuditEntry, len(rows))
	for i, r := range rows {
		out[i] = r.entry()
	}
	return out, next, nil
}

// VerifyAudit walks the trail from its first entry to the head and returns the
// first entry that does not follow from the one before; nil when all do. A cut
// tail shows too: the head knows the last number and hash.
func (s *Store) VerifyAudit(ctx context.Context, call Call) (*AuditEntry, error) {
	var broken *AuditEntry
	err := s.view(ctx, call, func(r querier, _ time.Time) error {
		var h head
		if err := r.get(ctx, &h, stmtHeadGet, call.Practice); err != nil {
			return err
		}
		var last AuditEntry
		for {
			var rows []auditRow
			if err := r.list(ctx, &rows, stmtAuditWalk, call.Practice, last.Seq, MaxPageSize); err != nil {
				return err
			}
			for _, row := range rows {
				e := row.entry()
				if e.Seq != last.Seq+1 || e.PrevHash != last.Hash || e.chainHash(call.Practice) != e.Hash {
					broken = &e
					return nil
				}
				last = e
			}
			if len(rows) < MaxPageSize {
				break
			}
		}
		if last.Seq != h.AuditSeq || string(last.Hash[:]) != string(h.AuditHash) {
			broken = &AuditEntry{Seq: last.Seq + 1}
		}
		return nil
	})
	return broken, err
}
