//go:build race

package attack_test

// The load under the race detector, which slows clients and replicas down
// several times: enough for it to see every path at once.
const (
	attempts          = 1_000
	disturbedAttempts = 800
	droppedAttempts   = 200
	arenaDays         = 5
)
