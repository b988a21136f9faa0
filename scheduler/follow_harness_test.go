package scheduler_test

import (
	"context"
	"errors"

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
