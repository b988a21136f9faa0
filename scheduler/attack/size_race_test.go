//go:build race

package attack_test

// The load under the race detector, which slows clients and replicas down
// several times: enough for it to see every path at once.
const (
	attempts          = 1_500
	disturbedAttempts = 900
	droppedAttempts   = 300
	arenaDays         = 6
)
