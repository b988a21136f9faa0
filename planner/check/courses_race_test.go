//go:build race

package check

// courses drawn from each seed. The race detector makes each ten times dearer
// and finds nothing in arithmetic, so that run draws fewer; .ci/test draws the
// full number without it.
const courses = 1_000

// every fourth model is solved in that run, all of them without the detector.
const everyModel = 4
