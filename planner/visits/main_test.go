package visits

import (
	"flag"
	"os"
	"testing"
)

// The search for a plan is local, so that the laws about costs can fail on a
// rare tooth (docs/mathematics.md says how rare). Runs draw the same teeth each
// time; `go test ./planner/visits -rapid.seed=N` draws others.
func TestMain(m *testing.M) {
	flag.Parse()
	given := false
	flag.Visit(func(f *flag.Flag) { given = given || f.Name == "rapid.seed" })
	if !given {
		if err := flag.Set("rapid.seed", "20261125"); err != nil {
			panic(err)
		}
	}
	os.Exit(m.Run())
}
