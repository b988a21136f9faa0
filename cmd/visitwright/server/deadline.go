package server

import (
	"context"
	"time"

	"google.golang.org/protobuf/proto"
)

// deadlineLink bounds what one call may take: the bytes of its messages and
// its time. It keeps HeldBack of the caller's deadline for the answer. A watch
// stream has no default deadline: it ends when its caller leaves.
func deadlineLink() link {
	return link{
		name: LinkDeadline, after: []string{LinkRecovery, LinkLog, LinkMetrics},
		around: func(ctx context.Context, call *Call, next func(context.Context) error) error {
			deadline, given := ctx.Deadline()
			if call.Stream {
				return next(ctx)
			}
			left := DefaultDeadline
			if given {
				// A context's deadline is on the machine's clock, whatever clock the
				// program was given.
				left = time.Until(deadline) - HeldBack
			}
			if left < LeastWork {
				return tooLate(call)
			}
			ctx, cancel := context.WithTimeout(ctx, min(left, LongestDeadline))
			defer cancel()
			return next(ctx)
		},
		// The transport refuses a larger message before it is decoded; this
		// guards the in-process connection and a transport limit that was raised.
		message: func(_ context.Context, call *Call, message proto.Message) error {
			if size := proto.Size(message); size > MaxRequestBytes {
				return tooLarge(call, size)
			}
			return nil
		},
	}
}
