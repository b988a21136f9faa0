package main

import (
	"math"
	"strings"
	"testing"

	"github.com/visitwright/visitwright/clients/odds"
	"github.com/visitwright/visitwright/planner/proposal"
)

// The service and its clients each write odds by a rule of their own: neither may
// import the other. Where one rule changes, this finds the other.
func TestServiceAndClientsSayAChanceInTheSameWords(t *testing.T) {
	check := func(p float64) {
		served, said := proposal.OddsOf(p, "finish on time"), odds.Words(p)
		if served.Words != said+" finish on time" || served.P != p && !math.IsNaN(p) {
			t.Errorf("%v: the service says %q, clients %q", p, served.Words, said)
		}
		for _, certain := range []string{"none", "all", "always", "10 in 10", "0 in 10", "100 in 100", "0 in 100"} {
			if said == certain || strings.HasPrefix(served.Words, certain+" ") {
				t.Errorf("%v is called certain: %q, %q", p, served.Words, said)
			}
		}
	}
	const grid = 200000
	for i := 0; i <= grid; i++ {
		p := float64(i) / grid
		check(p)
		check(math.Nextafter(p, -1))
		check(math.Nextafter(p, 2))
	}
	check(math.NaN())
}
