package planner_test

import (
	"testing"

	"go.uber.org/goleak"
)

// Nothing of the service outlives a test: neither computations nor connections.
func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }
