//go:build !race

package scheduler_test

// takeInSize is how many appointments the test takes in.
const takeInSize = 10_000
