package server

import (
	"sync"
	"time"
)

// limiter spaces calls by the generic cell rate algorithm: each key has a
// theoretical arrival time, which a call moves on by one interval; a call that
// would move it more than the burst ahead of now is put off.
//
// It protects this process only, and so may live in memory.
type limiter struct {
	interval time.Duration // between calls on average
	window   time.Duration // interval times burst
	now      func() time.Time

	mu   sync.Mutex
	next map[string]time.Time
}

func newLimiter(perSecond float64, burst int, now func() time.Time) *limiter {
	interval := time.Duration(float64(time.Second) / perSecond)
	return &limiter{interval: interval, window: interval * time.Duration(burst), now: now, next: map[string]time.Time{}}
}

// take spends one call of the key. It returns 0, or how long to wait.
func (l *limiter) take(key string) time.Duration {
	return l.spend(key, true)
}

// look says how long the key would have to wait, and spends nothing.
func (l *limiter) look(key string) time.Duration {
	return l.spend(key, false)
}

func (l *limiter) spend(key string, spend bool) time.Duration {
	l.mu.Lock()
	defer l.mu.Unlock()
	now := l.now()
	next := l.next[key]
	if next.Before(now) {
		next = now
	}
	next = next.Add(l.interval)
	if over := next.Sub(now) - l.window; over > 0 {
		return over
	}
	if spend {
		if len(l.next) >= LimiterKeys {
			l.forget(now)
		}
		l.next[key] = next
	}
	return 0
}

// forget drops the keys that are back at rest; when none is, all of them: the
// bound on memory is worth one free burst.
func (l *limiter) forget(now time.Time) {
	for key, next := range l.next {
		if !next.After(now) {
			delete(l.next, key)
		}
	}
	if len(l.next) >= LimiterKeys {
		clear(l.next)
	}
}
