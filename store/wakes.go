package store

import (
	"context"
	"sync"
	"time"

	"github.com/lib/pq"
)

// changeChannel is the channel on which replicas wake each other.
const changeChannel = "visitwright_changes"

const (
	listenRetryMin = 200 * time.Millisecond
	listenRetryMax = 15 * time.Second
	notifyTimeout  = 2 * time.Second
	notifyEvery    = 10 * time.Millisecond
)

// wakes tells watchers that a practice's change log may have grown. It is a
// hint that may get lost or come twice; the log is the truth.
type wakes struct {
	mu       sync.Mutex
	watchers map[string]map[chan struct{}]bool
	closed   bool

	// For PostgreSQL: practices whose change other replicas have not heard of.
	s        *Store
	dsn      string
	listener *pq.Listener
	pending  map[string]bool
	kick     chan struct{}
	ended    sync.WaitGroup
}

func newLocalWakes() *wakes {
	return &wakes{watchers: map[string]map[chan struct{}]bool{}, pending: map[string]bool{}}
}

func newPostgresWakes(s *Store, dsn string) *wakes {
	w := newLocalWakes()
	w.s, w.dsn, w.kick = s, dsn, make(chan struct{}, 1)
	return w
}

func (w *wakes) start() {
	if w.kick == nil {
		return
	}
	w.listener = pq.NewListener(w.dsn, listenRetryMin, listenRetryMax, nil)
	// Listen waits until the connection stands; a database that is down at this
	// moment must not hold up the start, so it runs beside.
	w.ended.Add(3)
	go func() {
		defer w.ended.Done()
		_ = w.listener.Listen(changeChannel) // fails only when the listener is closed
	}()
	go func() {
		defer w.ended.Done()
		w.relay()
	}()
	go func() {
		defer w.ended.Done()
		w.tell()
	}()
}

// relay passes on what other replicas say. After a lost connection pq sends nil:
// then everybody looks.
func (w *wakes) relay() {
	for n := range w.listener.NotificationChannel() {
		if n == nil {
			w.everybody()
			continue
		}
		w.local(n.Extra)
	}
}

// tell notifies the other replicas, outside the transactions: a NOTIFY inside
// one makes all commits of the database wait for each other.
func (w *wakes) tell() {
	for range w.kick {
		w.mu.Lock()
		todo := w.pending
		w.pending = map[string]bool{}
		w.mu.Unlock()
		for practice := range todo {
			ctx, cancel := context.WithTimeout(context.Background(), notifyTimeout)
			_, _ = w.s.onWrite[stmtNotify.number].ExecContext(ctx, changeChannel, practice) // a hint: readers look by themselves too
			cancel()
		}
		<-time.After(notifyEvery) // a burst of changes is one hint
	}
}

var stmtNotify = differs("notify", "", `SELECT pg_notify(?1, ?2)`, true)

func (w *wakes) wake(practice string) {
	w.local(practice)
	if w.kick == nil {
		return
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.closed {
		return
	}
	w.pending[practice] = true
	select {
	case w.kick <- struct{}{}:
	default:
	}
}

func (w *wakes) local(practice string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	for c := range w.watchers[practice] {
		nudge(c)
	}
}

func (w *wakes) everybody() {
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, of := range w.watchers {
		for c := range of {
			nudge(c)
		}
	}
}

// nudge never blocks: one waiting hint is as good as two.
func nudge(c chan struct{}) {
	select {
	case c <- struct{}{}:
	default:
	}
}

// Wake returns a channel that receives whenever the practice's change log may
// have grown, on this replica or another, and a function that ends it.
func (s *Store) Wake(practice string) (<-chan struct{}, func()) {
	w := s.wakes
	c := make(chan struct{}, 1)
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.watchers[practice] == nil {
		w.watchers[practice] = map[chan struct{}]bool{}
	}
	w.watchers[practice][c] = true
	return c, func() {
		w.mu.Lock()
		defer w.mu.Unlock()
		delete(w.watchers[practice], c)
		if len(w.watchers[practice]) == 0 {
			delete(w.watchers, practice)
		}
	}
}

func (w *wakes) close() {
	w.mu.Lock()
	if w.closed || w.kick == nil {
		w.closed = true
		w.mu.Unlock()
		return
	}
	w.closed = true
	close(w.kick)
	w.mu.Unlock()
	_ = w.listener.Close()
	w.ended.Wait()
}
