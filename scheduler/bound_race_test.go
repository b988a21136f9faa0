//go:build race

package scheduler_test

import "time"

// takeInBound under the race detector, which is several times slower: it only
// shows that nothing hangs.
const takeInBound = 60 * time.Second
