//go:build !race

package check

// courses drawn from each seed: a standard error of 0.005 at even odds.
const courses = 10_000

// everyModel that ships is compared.
const everyModel = 1
