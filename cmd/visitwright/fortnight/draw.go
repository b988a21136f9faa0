package fortnight

import (
	"fmt"
	"hash/fnv"
)

// draw is a number from 0 up to 1 that is always the same for the same words:
// what chance decides in a real practice is decided here once and for all.
func draw(words ...any) float64 {
	h := fnv.New64a()
	_, _ = fmt.Fprintln(h, words...)
	// The hash of words that differ in their last letter differs little: mixed
	// (the finalizer of splitmix64) every bit counts.
	x := h.Sum64()
	x = (x ^ x>>30) * 0xbf58476d1ce4e5b9
	x = (x ^ x>>27) * 0x94d049bb133111eb
	return float64((x^x>>31)>>11) / (1 << 53)
}
