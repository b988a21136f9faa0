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
	for b := range l.start {
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
		b.err = l.write(b)
		l.mu.Lock()
		l.failed = b.err != nil
		l.mu.Unlock()
		close(b.done)
	}
}

func (l *accessLog) write(b *accessBatch) error {
	ctx, cancel := context.WithTimeout(context.Background(), accessTimeout)
	defer cancel()
	var practices []string
	by := map[string][]*AuditEntry{}
	for _, key := range b.order {
		if by[key.practice] == nil {
			practices = append(practices, key.practice)
		}
		by[key.practice] = append(by[key.practice], b.entries[key])
	}
	var errs []error
	for _, p := range practices {
		errs = append(errs, l.s.appendEntries(ctx, p, by[p]))
	}
	return errors.Join(errs...)
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
