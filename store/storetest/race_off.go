//go:build !race

package storetest

// How much the tests that repeat most repeat; see race_on.go.
const (
	manyItems   = 10_000
	modelChecks = "100" // rapid's own default
)
