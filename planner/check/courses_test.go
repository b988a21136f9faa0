//go:build !race

package check

// courses drawn from each seed: a standard error of 0.0035 at even odds.
const courses = 20_000
