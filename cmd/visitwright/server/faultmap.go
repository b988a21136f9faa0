package server

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"slices"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"github.com/visitwright/visitwright/proto/fault"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// faultLink fails closed: only a Fault, or what the one mapping makes a Fault
// of, reaches the caller; everything else becomes an internal error whose text
// goes nowhere.
func faultLink(log *slog.Logger) link {
	return link{
		name: LinkFaultMap, after: []string{LinkLog, LinkMetrics, LinkValidate, LinkAudit},
		around: func(ctx context.Context, call *Call, next func(context.Context) error) error {
			err := next(ctx)
			if err == nil {
				return nil
			}
			if told := reasoned(call, err); told != nil {
				return told
			}
			// A store that gave up because the time ran out says so in its own way.
			switch {
			case errors.Is(ctx.Err(), context.DeadlineExceeded):
				return refuse(call, codes.DeadlineExceeded, vw.ErrorReason_ERROR_REASON_DEADLINE_PASSED,
					"the time ran out; repeat a write with the same request id")
			case errors.Is(ctx.Err(), context.Canceled):
				return refuse(call, codes.Canceled, vw.ErrorReason_ERROR_REASON_CANCELLED_BY_CLIENT, "the caller gave up")
			}
			if told := reasoned(call, fault.FromStore(err, call.Caller.Practice, nil)); told != nil {
				return told
			}
			log.Error("unmapped error", "call", call.ID, "method", call.Method, "kind", chainOf(err))
			return broken(call)
		},
	}
}

// reasoned returns what of an error is meant for the caller, and notes its
// reason for log and audit trail; nil when nothing is. What a handler wrapped
// around a Fault is for the program alone and is left out.
func reasoned(call *Call, err error) error {
	if f := (*fault.Fault)(nil); errors.As(err, &f) {
		call.Reason = fault.ReasonName(f.Reason)
		return f
	}
	// Health and reflection speak for themselves; broken has noted its reason.
	if (slices.Contains(openMethods, call.Method) || call.Reason != "") && status.Code(err) != codes.Unknown {
		return err
	}
	return nil
}

// chainOf names an error without its text: the types of its chain.
func chainOf(err error) string {
	kind := ""
	for err != nil && len(kind) < 200 {
		kind += fmt.Sprintf("%T ", err)
		err = errors.Unwrap(err)
	}
	return kind
}
