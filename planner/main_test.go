package planner_test

import (
	"fmt"
	"os"
	"testing"

	"go.uber.org/goleak"

	"github.com/visitwright/visitwright/store/pgtest"
)

// Nothing of the service outlives its tests: neither computations nor
// connections.
func TestMain(m *testing.M) {
	code := pgtest.Run(m)
	if err := goleak.Find(); err != nil && code == 0 {
		fmt.Fprintln(os.Stderr, err)
		code = 1
	}
	os.Exit(code)
}
