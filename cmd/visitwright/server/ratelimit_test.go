package server

import (
	"fmt"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// clock is a hand-moved clock.
type clock struct{ at time.Time }

func (c *clock) now() time.Time        { return c.at }
func (c *clock) move(by time.Duration) { c.at = c.at.Add(by) }
func newClock() *clock                 { return &clock{at: time.Date(2027, 3, 1, 9, 0, 0, 0, time.UTC)} }

func TestATokenMayCallItsBurstAndThenWaits(t *testing.T) {
	c := newClock()
	l := newLimiter(10, 5, c.now)
	for i := range 5 {
		if wait := l.take("a"); wait != 0 {
			t.Fatalf("call %d of a burst of 5 was put off by %v", i+1, wait)
		}
	}
	wait := l.take("a")
	if wait != 100*time.Millisecond { // one interval at 10 a second
		t.Fatalf("the sixth call waits %v, want 100ms", wait)
	}
	if l.take("b") != 0 {
		t.Fatal("one token's calls put off another's")
	}
	c.move(wait)
	if l.take("a") != 0 {
		t.Fatal("put off again after the wait that was asked for")
	}
}

func TestNoTokenGetsMoreThanItsRateOverAnyTime(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := newClock()
		l := newLimiter(20, 7, c.now)
		began, taken := c.at, 0
		for _, pause := range rapid.SliceOfN(rapid.IntRange(0, 120), 1, 200).Draw(t, "pauses in ms") {
			c.move(time.Duration(pause) * time.Millisecond)
			if l.take("a") == 0 {
				taken++
			}
			allowed := 7 + c.at.Sub(began).Seconds()*20
			if float64(taken) > allowed+1e-9 {
				t.Fatalf("%d calls after %v, allowed are %.2f", taken, c.at.Sub(began), allowed)
			}
		}
	})
}

func TestLookingSpendsNothing(t *testing.T) {
	c := newClock()
	l := newLimiter(1, 1, c.now)
	for range 3 {
		if l.look("a") != 0 {
			t.Fatal("looking spent the burst")
		}
	}
	if l.take("a") != 0 || l.look("a") != time.Second {
		t.Fatal("one call a second: after one taken the next is a second away")
	}
}

func TestALimiterKeepsItsMemoryBounded(t *testing.T) {
	l := newLimiter(1, 1, newClock().now)
	for i := range LimiterKeys + 500 {
		l.take(fmt.Sprint(i))
	}
	if n := len(l.next); n > LimiterKeys {
		t.Fatalf("%d keys, want at most %d", n, LimiterKeys)
	}
}
