//go:build !race

package attack_test

// The whole load. The race detector gets a smaller one (see size_race_test.go);
// .ci/test runs both.
const (
	attempts          = 20_000
	disturbedAttempts = 4_000
	droppedAttempts   = 600
	arenaDays         = 20
)
