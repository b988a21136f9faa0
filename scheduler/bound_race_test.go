//go:build race

package scheduler_test

// takeInSize is smaller under the race detector, which slows SQLite a
// hundredfold.
const takeInSize = 1_500
