package store

import (
	"context"
	"errors"
	"sync"
	"time"
)

// AuditDelay is how long an entry for a read may wait to be written together
// with others.
const AuditDelay = 20 * time.Millisecond

const (
	accessQueue   = 4096 // entries that may wait; then readers wait
	accessTimeout = 5 * time.Second
	accessRetry   = time.Second
)

// accessLog writes the audit entries of reads in batches: one transaction for
// many reads, so that a read does not pay for a disk write of its own. Within a
// batch the same reader of the same record is one entry with a count.
type accessLog struct {
	s *Store

	mu      sync.Mutex
	open    *accessBatch // takes entries
	closing bool
	failed  bool // the last batch could not be written

	start chan *accessBatch
	ended chan struct{}
}

type accessKey struct{ practice, actor, actingFor, method, resource string }

// waiting is an entry that is to be written.
type waiting struct {
	practice string
	entry    *AuditEntry
}

type accessBatch struct {
	entries map[accessKey]*AuditEntry
	order   []accessKey
	full    chan struct{} // closed when no more entries fit
	done    chan struct{} // closed when written or failed
	err     error         // read after done
}

func newAccessLog(s *Store) *accessLog {
	l := &accessLog{s: s, start: make(chan *accessBatch, 1), ended: make(chan struct{})}
	go l.run()
	return l
}

// record queues the entry of one read and returns once it may be answered.
func (l *accessLog) record(ctx context.Context, call Call, resource string, now time.Time) error {
	for {
		b, added, wait, err := l.add(call, resource, now)
		if err != nil {
			return err
		}
		if added && !wait {
			return nil
		}
		select {
		case <-b.done:
		case <-ctx.Done():
			return context.Cause(ctx)
		}
		if b.err != nil {
			return &Problem{Kind: ErrUnavailable, Resource: "audit trail", cause: b.err}
		}
		if added {
			return nil
		}
	}
}

// add puts an entry into the open batch, if there is room. The reader waits for
// the batch when it asked for that, and while entries cannot be written.
func (l *accessLog) add(call Call, resource string, now time.Time) (b *accessBatch, added, wait bool, err error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.closing {
		return nil, false, false, &Problem{Kind: ErrUnavailable, Resource: "audit trail"}
	}
	b = l.open
	if b == nil {
		b = &accessBatch{entries: map[accessKey]*AuditEntry{}, full: make(chan struct{}), done: make(chan struct{})}
		l.open = b
		l.start <- b // has room: the writer took the one before
	}
	wait = l.failed || l.s.awaitRead
	key := accessKey{call.Practice, call.Actor, call.ActingFor, call.Method, resource}
	if e := b.entries[key]; e != nil {
		e.Times++
		return b, true, wait, nil
	}
	if len(b.order) >= accessQueue {
		return b, false, true, nil
	}
	e := entryOf(call, resource, "ok", nil)
	e.RequestID, e.Time = "", now
	b.entries[key] = &e
	b.order = append(b.order, key)
	if len(b.order) == accessQueue {
		close(b.full)
	}
	return b, true, wait, nil
}

func (l *accessLog) run() {
	defer close(l.ended)
	var left []waiting // what could not be written yet
	for {
		var again <-chan time.Time
		if len(left) > 0 {
			again = time.After(accessRetry)
		}
		select {
		case b, more := <-l.start:
			if !more {
				_, _ = l.write(left) // the last try
				return
			}
			left = l.take(b, left)
		case <-again:
			var err error
			left, err = l.write(left)
			l.note(err)
		}
	}
}

// take closes a batch to further entries and writes it with what was left before.
func (l *accessLog) take(b *accessBatch, left []waiting) []waiting {
	if !l.s.awaitRead { // those who wait gather while the batch before is written
		timer := time.NewTimer(AuditDelay)
		select {
		case <-timer.C:
		case <-b.full:
			timer.Stop()
		}
	}
	l.mu.Lock()
	l.open = nil // what comes now goes into the next
	l.mu.Unlock()
	for _, key := range b.order {
		left = append(left, waiting{key.practice, b.entries[key]})
	}
	left, b.err = l.write(left)
	l.note(b.err)
	close(b.done)
	// While nothing can be written readers are refused, so that what waits
	// beyond the queue are entries of reads that were never answered.
	return left[:min(len(left), accessQueue)]
}

func (l *accessLog) note(err error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.failed = err != nil
}

// write writes entries, one transaction for each practice, and returns those
// that are still to be written.
func (l *accessLog) write(entries []waiting) (left []waiting, err error) {
	if len(entries) == 0 {
		return nil, nil
	}
	ctx, cancel := context.WithTimeout(context.Background(), accessTimeout)
	defer cancel()
	var practices []string
	by := map[string][]*AuditEntry{}
	for _, w := range entries {
		if by[w.practice] == nil {
			practices = append(practices, w.practice)
		}
		by[w.practice] = append(by[w.practice], w.entry)
	}
	for _, p := range practices {
		if err1 := l.s.appendEntries(ctx, p, by[p]); err1 != nil {
			err = errors.Join(err, err1)
			for _, e := range by[p] {
				left = append(left, waiting{p, e})
			}
		}
	}
	return left, err
}

// flush returns when every entry queued before it is written.
func (l *accessLog) flush(ctx context.Context) error {
	l.mu.Lock()
	b := l.open
	l.mu.Unlock()
	if b == nil {
		return nil
	}
	select {
	case <-b.done:
		return b.err
	case <-ctx.Done():
		return context.Cause(ctx)
	}
}

func (l *accessLog) close() {
	l.mu.Lock()
	if l.closing {
		l.mu.Unlock()
		return
	}
	l.closing = true
	if l.open != nil && len(l.open.order) < accessQueue {
		close(l.open.full) // do not wait for more
	}
	close(l.start)
	l.mu.Unlock()
	<-l.ended
}
