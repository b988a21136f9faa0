package scheduler_test

import "time"

// wallClock is the machine's own clock, for what is measured.
func wallClock() time.Time {
	return time.Now()
}
