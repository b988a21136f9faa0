package fortnight

import (
	"sync"
	"time"
)

// Clock is the clock of the demo practice. While the practice is played it
// stands, and is set from one event to the next; afterwards it ticks with the
// machine's, from the moment at which the play ended.
type Clock struct {
	machine func() time.Time

	mu      sync.Mutex
	at      time.Time
	started time.Time // by the machine's clock; zero while it stands
}

// NewClock is a standing clock. machine is read only once it ticks.
func NewClock(at time.Time, machine func() time.Time) *Clock {
	return &Clock{at: at, machine: machine}
}

// Now is the demo practice's now.
func (c *Clock) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.started.IsZero() {
		return c.at
	}
	return c.at.Add(c.machine().Sub(c.started))
}

// set moves a standing clock forward. Backwards it does not go: what was
// recorded stays in the past.
func (c *Clock) set(at time.Time) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.started.IsZero() && at.After(c.at) {
		c.at = at
	}
}

// Run lets the clock tick.
func (c *Clock) Run() {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.started.IsZero() {
		c.started = c.machine()
	}
}
