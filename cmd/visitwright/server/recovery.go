package server

import (
	"context"
	"log/slog"
	"runtime/debug"
)

// recoveryLink turns a panic into an internal error. The stack goes to the
// log; what was panicked with may hold a request's content and does not.
func recoveryLink(name string, after []string, log *slog.Logger) link {
	return link{
		name: name, after: after,
		around: func(ctx context.Context, call *Call, next func(context.Context) error) (err error) {
			defer func() {
				if cause := recover(); cause != nil {
					log.Error("panic", "call", call.ID, "method", call.Method, "link", name, "stack", string(debug.Stack()))
					err = broken(call)
				}
			}()
			return next(ctx)
		},
	}
}
