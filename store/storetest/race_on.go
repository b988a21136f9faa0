//go:build race

package storetest

// Under the race detector the embedded database, compiled to Go, runs more than
// ten times slower. The tests that repeat most repeat less; what they check and
// how many goroutines meet stays the same.
const (
	manyItems   = 2_000
	modelChecks = "20"
)
