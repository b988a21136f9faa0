package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"time"
)

// RequestRetention is how long a request id is remembered, with the answer.
const RequestRetention = 24 * time.Hour

// tries bounds how often a transaction that gave way to another is run again.
const tries = 4

// everyPractice is the name under which maintenance sees all rows on PostgreSQL.
const everyPractice = "*"

var (
	stmtBegin = differs("begin", "", `
		SELECT set_config('visitwright.practice', ?1, true), (extract(epoch FROM clock_timestamp()) * 1000000)::bigint`, false)
	stmtRequestGet = reads("request get", `
		SELECT request_hash, response, create_us FROM requests WHERE practice_id = ?1 AND method = ?2 AND request_id = ?3`)
	stmtRequestDrop = writes("request drop", `
		DELETE FROM requests WHERE practice_id = ?1 AND method = ?2 AND request_id = ?3`)
	stmtRequestPut = writes("request put", `
		INSERT INTO requests (practice_id, method, request_id, request_hash, response, create_us)
		VALUES (?1, ?2, ?3, ?4, ?5, ?6)`)
)

// tx is one writing transaction of one call.
type tx struct {
	inTx
	s    *Store
	call Call
	now  time.Time // of the store's clock, whole microseconds

	resource string   // what the audit entry is about
	fields   []string // names of what changed
	silent   bool     // nothing changed: leave no audit entry
	also     []alsoAbout
	changes  []Change
	days     map[int64]*dayTouch // UTC days of the diary that this transaction touches
	dayRows  []dayRow            // their new masks, to be written with the rest
	head     *head               // set once the practice's head is locked
}

// about says what the audit entry of this transaction is about.
func (t *tx) about(resource string, fields ...string) {
	t.resource = resource
	t.fields = append(t.fields, fields...)
}

type alsoAbout struct {
	resource string
	fields   []string
}

// alsoChanged leaves a further audit entry.
func (t *tx) alsoChanged(resource string, fields ...string) {
	t.also = append(t.also, alsoAbout{resource, fields})
}

// changed adds a line to the change log.
func (t *tx) changed(kind, resource, etag string) {
	t.changes = append(t.changes, Change{Kind: kind, Resource: resource, Etag: etag, Time: t.now, Actor: t.call.Actor})
}

// write runs fn as one transaction: request id first, then fn, then audit trail
// and change log. A second call with the same request id returns the first
// answer; T must survive JSON.
func write[T any](ctx context.Context, s *Store, call Call, fn func(*tx) (T, error)) (T, error) {
	var zero T
	if err := checkCall(call); err != nil {
		return zero, err
	}
	var err error
	for range tries {
		var out T
		if out, err = writeOnce(ctx, s, call, fn); err == nil {
			return out, nil
		}
		if errors.Is(err, errGaveWay) {
			continue
		}
		// The same request may have come in twice at once: then the first one's
		// row is what stood in the way of the second.
		if call.RequestID != "" && !errors.Is(err, ErrRequestIDReused) && !errors.Is(err, ErrUnavailable) {
			if again, ok := answered[T](ctx, s, call); ok {
				return again, nil
			}
		}
		return zero, outward(err)
	}
	return zero, outward(err)
}

func writeOnce[T any](ctx context.Context, s *Store, call Call, fn func(*tx) (T, error)) (out T, err error) {
	var zero T
	q, now, err := s.begin(ctx, call.Practice, false)
	if err != nil {
		return zero, s.clean(ctx, err)
	}
	t := &tx{inTx: q, s: s, call: call, now: now}
	done := false
	defer func() {
		if !done { // also when fn panics
			_ = q.tx.Rollback()
		}
	}()
	if call.RequestID != "" {
		again, replayed, err := replay[T](ctx, t)
		if err != nil {
			return zero, s.clean(ctx, err)
		}
		if replayed {
			return again, nil
		}
	}
	if out, err = fn(t); err != nil {
		return zero, s.clean(ctx, err)
	}
	if err = t.finish(ctx, out); err != nil {
		return zero, s.clean(ctx, err)
	}
	done = true
	if err = q.tx.Commit(); err != nil {
		return zero, s.clean(ctx, err)
	}
	if len(t.changes) > 0 {
		s.wakes.wake(call.Practice)
	}
	return out, nil
}

// answered looks for the answer of a request that was done meanwhile.
func answered[T any](ctx context.Context, s *Store, call Call) (out T, ok bool) {
	q, now, err := s.begin(ctx, call.Practice, false)
	if err != nil {
		return out, false
	}
	defer func() { _ = q.tx.Rollback() }()
	out, ok, err = replay[T](ctx, &tx{inTx: q, s: s, call: call, now: now})
	return out, ok && err == nil
}

// begin starts a transaction and reads the clock.
func (s *Store) begin(ctx context.Context, practice string, readOnly bool) (inTx, time.Time, error) {
	pool, on := s.writer, s.onWrite
	var opts *sql.TxOptions
	if readOnly {
		pool, on = s.reader, s.onRead
		opts = &sql.TxOptions{ReadOnly: true}
		if s.postgres {
			opts.Isolation = sql.LevelRepeatableRead // one snapshot for all its statements
		}
	}
	raw, err := pool.BeginTxx(ctx, opts)
	if err != nil {
		return inTx{}, time.Time{}, err
	}
	q := inTx{on: on, tx: raw}
	if !s.postgres {
		return q, s.clock().UTC().Truncate(time.Microsecond), nil
	}
	var name string
	var at int64
	if err := q.row(ctx, stmtBegin, practice).Scan(&name, &at); err != nil {
		_ = raw.Rollback()
		return inTx{}, time.Time{}, err
	}
	if s.clock != nil {
		at = s.clock().UnixMicro()
	}
	return q, fromUS(at), nil
}

// view runs fn on one snapshot.
func (s *Store) view(ctx context.Context, call Call, fn func(querier, time.Time) error) error {
	if err := checkCall(call); err != nil {
		return err
	}
	q, now, err := s.begin(ctx, call.Practice, true)
	if err != nil {
		return s.clean(ctx, err)
	}
	defer func() { _ = q.tx.Rollback() }() // nothing was written
	return outward(s.clean(ctx, fn(q, now)))
}

// glance runs fn for reads of one statement, which are a snapshot by
// themselves: without a transaction where no row security needs one.
func (s *Store) glance(ctx context.Context, call Call, fn func(querier, time.Time) error) error {
	if s.postgres {
		return s.view(ctx, call, fn)
	}
	if err := checkCall(call); err != nil {
		return err
	}
	return outward(s.clean(ctx, fn(pooled{s.onRead}, s.clock().UTC().Truncate(time.Microsecond))))
}

func checkCall(c Call) error {
	switch {
	case !validID(c.Practice):
		return invalid("practice", "a practice id of 1 to 40 letters of a-z, 0-9 and -")
	case len(c.RequestID) > 64 || !printable(c.RequestID):
		return invalid("request_id", "at most 64 printable ASCII characters")
	case c.RequestID != "" && c.RequestHash == [32]byte{}:
		return invalid("request_id", "the hash of the request beside it")
	}
	return nil
}

func printable(s string) bool {
	for i := range len(s) {
		if s[i] < 0x21 || s[i] > 0x7e {
			return false
		}
	}
	return true
}

func replay[T any](ctx context.Context, t *tx) (out T, replayed bool, err error) {
	var hash, response []byte
	var at int64
	c := t.call
	err = t.row(ctx, stmtRequestGet, c.Practice, c.Method, c.RequestID).Scan(&hash, &response, &at)
	if errors.Is(err, sql.ErrNoRows) {
		return out, false, nil
	}
	if err != nil {
		return out, false, err
	}
	if t.now.Sub(fromUS(at)) >= RequestRetention {
		_, err = t.exec(ctx, stmtRequestDrop, c.Practice, c.Method, c.RequestID)
		return out, false, err
	}
	if [32]byte(hash) != c.RequestHash {
		return out, false, &Problem{Kind: ErrRequestIDReused, Field: "request_id", Want: "a new id for a new request"}
	}
	plain, err := t.s.keys.open(response, c.Practice, requestRecord(c))
	if err != nil {
		return out, false, err
	}
	if err := json.Unmarshal(plain, &out); err != nil {
		return out, false, &Problem{Kind: ErrInternal, cause: err}
	}
	return out, true, nil
}

func requestRecord(c Call) string { return "requests/" + c.Method + "/" + c.RequestID }

// finish writes what every transaction leaves behind. The practice's head row
// is locked here at the latest, so that writers of one practice wait for each
// other only from here to their commit; bookings lock it before.
func (t *tx) finish(ctx context.Context, out any) error {
	if c := t.call; c.RequestID != "" {
		plain, err := json.Marshal(out)
		if err != nil {
			return &Problem{Kind: ErrInternal, cause: err}
		}
		sealed := t.s.keys.seal(plain, c.Practice, requestRecord(c))
		_, err = t.exec(ctx, stmtRequestPut, c.Practice, c.Method, c.RequestID, c.RequestHash[:], sealed, us(t.now))
		if err != nil {
			if kind := t.s.clean(ctx, err); errors.Is(kind, ErrExists) {
				return errGaveWay // the same request came in twice at once: the next try finds its answer
			}
			return err
		}
	}
	if t.silent && len(t.changes)+len(t.also)+len(t.days) == 0 {
		return nil
	}
	if err := t.lockHead(ctx); err != nil {
		return err
	}
	if err := t.writeDays(ctx); err != nil {
		return err
	}
	return t.leave(ctx)
}
