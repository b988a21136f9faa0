package scheduler_test

import (
	"context"
	"errors"
	"os"
	"strconv"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"

	"github.com/visitwright/visitwright/proto/fault"
)

// incoming is a context of a clinician's call, past the server's chain.
func incoming(ctx context.Context) context.Context {
	return metadata.NewIncomingContext(ctx, metadata.Pairs("role", "clinician"))
}

func faultOf(err error) (codes.Code, string) {
	var f *fault.Fault
	if !errors.As(err, &f) {
		return codes.Unknown, ""
	}
	return f.Code, fault.ReasonName(f.Reason)
}

// stormSize is the number of reminders of the test with two replicas; the full
// size is for a machine of one's own: VISITWRIGHT_STORM=10000.
func stormSize() int {
	if n, err := strconv.Atoi(os.Getenv("VISITWRIGHT_STORM")); err == nil && n > 0 {
		return n
	}
	return 400
}
