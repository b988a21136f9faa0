package server

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/durationpb"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// faultLink fails closed: only an error that says by its catalogue reason that
// it is meant for the caller passes; every other becomes an internal error
// whose text is in the log at most by its kind.
func faultLink(log *slog.Logger) link {
	return link{
		name: LinkFaultMap, after: []string{LinkLog, LinkMetrics, LinkValidate, LinkAudit},
		around: func(ctx context.Context, call *Call, next func(context.Context) error) error {
			err := next(ctx)
			if err == nil || reasoned(call, err) {
				return err
			}
			switch {
			case errors.Is(err, context.DeadlineExceeded), errors.Is(ctx.Err(), context.DeadlineExceeded):
				return refuse(call, codes.DeadlineExceeded, vw.ErrorReason_ERROR_REASON_DEADLINE_PASSED,
					"the time ran out; repeat a write with the same request id")
			case errors.Is(err, context.Canceled), errors.Is(ctx.Err(), context.Canceled):
				return refuse(call, codes.Canceled, vw.ErrorReason_ERROR_REASON_CANCELLED_BY_CLIENT, "the caller gave up")
			case errors.Is(err, store.ErrUnavailable), errors.Is(err, store.ErrBusy):
				return refuse(call, codes.Unavailable, vw.ErrorReason_ERROR_REASON_STORE_UNAVAILABLE,
					"the database does not answer at the moment; try again",
					&errdetails.RetryInfo{RetryDelay: durationpb.New(time.Second)})
			}
			// The error's own text may hold what a patient or a driver said.
			log.Error("unmapped error", "call", call.ID, "method", call.Method, "kind", kindOf(err))
			return broken(call)
		},
	}
}

// reasoned reports whether the error is a status with a reason of the
// contract, and notes the reason.
func reasoned(call *Call, err error) bool {
	s, ok := status.FromError(err)
	if !ok || s.Code() == codes.OK || s.Code() == codes.Unknown {
		return false
	}
	if call.Anyone {
		return true // health and reflection speak for themselves
	}
	for _, detail := range s.Details() {
		if info, ok := detail.(*errdetails.ErrorInfo); ok && info.GetDomain() == "visitwright" && info.GetReason() != "" {
			call.Reason = info.GetReason()
			return true
		}
	}
	return false
}

// kindOf names an error without its text: the types of its chain.
func kindOf(err error) string {
	kind := ""
	for err != nil && len(kind) < 200 {
		kind += fmt.Sprintf("%T ", err)
		err = errors.Unwrap(err)
	}
	return kind
}
