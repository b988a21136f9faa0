package store

import (
	"context"
	"encoding/json"
	"strconv"
	"time"

	"github.com/lib/pq"
)

const auditColumns = `seq, at_us, actor, role, acting_for, method, resource, request_id, correlation, outcome, fields, times, prev_hash, hash`

var (
	stmtAuditPutMany = differs("audit put many", "", `
		INSERT INTO audit (practice_id, seq, at_us, actor, role, acting_for, method, resource, request_id, correlation, outcome, fields, times, prev_hash, hash)
		SELECT ?1, seq, at_us, actor, role, acting_for, method, resource, request_id, correlation, outcome, fields, times, prev_hash, hash
		FROM unnest(?2::bigint[], ?3::bigint[], ?4::text[], ?5::text[], ?6::text[], ?7::text[], ?8::text[], ?9::text[], ?10::text[], ?11::text[], ?12::text[], ?13::bigint[], ?14::bytea[], ?15::bytea[])
		AS e(seq, at_us, actor, role, acting_for, method, resource, request_id, correlation, outcome, fields, times, prev_hash, hash)`, true)
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
		if err := t.appendAll(ctx, entries); err != nil {
			return struct{}{}, err
		}
		return struct{}{}, t.leave(ctx)
	})
	return err
}

func (t *tx) appendManyPostgres(ctx context.Context, entries []*AuditEntry) error {
	n := len(entries)
	seq, at, times := make([]int64, n), make([]int64, n), make([]int64, n)
	text := [9][]string{}
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
	_, err := t.exec(ctx, stmtAuditPutMany, t.call.Practice, pq.Int64Array(seq), pq.Int64Array(at),
		pq.StringArray(text[0]), pq.StringArray(text[1]), pq.StringArray(text[2]), pq.StringArray(text[3]),
		pq.StringArray(text[4]), pq.StringArray(text[5]), pq.StringArray(text[6]), pq.StringArray(text[7]), pq.StringArray(text[8]),
		pq.Int64Array(times), pq.ByteaArray(prev), pq.ByteaArray(hashes))
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
		if err := t.appendAudit(ctx, &e); err != nil {
			return struct{}{}, err
		}
		return struct{}{}, t.leave(ctx)
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
	size := q.Page.size()
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
