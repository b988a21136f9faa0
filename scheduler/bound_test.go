//go:build !race

package scheduler_test

import "time"

// takeInBound is the most that taking in ten thousand appointments may take.
const takeInBound = 2 * time.Second
