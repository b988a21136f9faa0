package server

import (
	"context"
	"io"
	"log/slog"
	"net"
	"net/url"
	"strings"
	"time"

	"github.com/google/uuid"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/peer"
	"google.golang.org/grpc/status"
)

// CallHeader is the response header that names the call. The log, the audit
// trail and an internal error's details name it too.
const CallHeader = "visitwright-call"

// redactedKeys are attribute keys whose values never reach the log, whoever
// wrote them there.
var redactedKeys = []string{"label", "phone", "address", "guardian", "contact", "token", "authorization", "password", "passphrase", "secret", "key", "payload", "request", "reply"}

// NewLogger writes JSON lines in which the values of telling keys are replaced.
func NewLogger(out io.Writer, level slog.Level) *slog.Logger {
	return slog.New(slog.NewJSONHandler(out, &slog.HandlerOptions{Level: level, ReplaceAttr: redact}))
}

func redact(_ []string, a slog.Attr) slog.Attr {
	name := strings.ToLower(a.Key)
	for _, key := range redactedKeys {
		if name == key {
			return slog.String(a.Key, "[redacted]")
		}
	}
	if a.Value.Kind() == slog.KindString {
		if text := a.Value.String(); strings.Contains(text, "://") {
			return slog.String(a.Key, RedactURL(text))
		}
	}
	return a
}

// RedactURL returns a database address without its password and parameters.
func RedactURL(text string) string {
	u, err := url.Parse(text)
	if err != nil {
		return "[redacted]"
	}
	if u.User != nil {
		u.User = url.User(u.User.Username())
	}
	u.RawQuery = ""
	return u.String()
}

// logLink names the call and writes one line when it is over: who, what, how
// long and with which result; never what was said.
func logLink(log *slog.Logger, now func() time.Time) link {
	return link{
		name: LinkLog, after: []string{LinkRecovery},
		around: func(ctx context.Context, call *Call, next func(context.Context) error) error {
			call.ID = newCallID()
			if p, ok := peer.FromContext(ctx); ok {
				call.Peer = hostOf(p.Addr)
			}
			_ = grpc.SetHeader(ctx, metadata.Pairs(CallHeader, call.ID)) // fails only outside a server
			err := next(ctx)
			code := status.Code(err)
			level := levelOf(code)
			if !log.Enabled(ctx, level) {
				return err
			}
			log.LogAttrs(ctx, level, "call",
				slog.String("call", call.ID), slog.String("method", call.Method), slog.String("code", code.String()),
				slog.String("reason", call.Reason), slog.Duration("took", now().Sub(call.Began)),
				slog.String("practice", call.Caller.Practice), slog.String("role", string(call.Caller.Role)), slog.String("by", call.Caller.Subject()))
			return err
		},
	}
}

// levelOf makes faults of ours errors, refusals warnings and the rest plain.
func levelOf(code codes.Code) slog.Level {
	switch code {
	case codes.Internal, codes.Unknown, codes.DataLoss, codes.Unavailable:
		return slog.LevelError
	case codes.Unauthenticated, codes.PermissionDenied, codes.ResourceExhausted, codes.DeadlineExceeded:
		return slog.LevelWarn
	}
	return slog.LevelInfo
}

func newCallID() string {
	id, err := uuid.NewV7()
	if err != nil {
		return uuid.NewString()
	}
	return id.String()
}

func hostOf(address net.Addr) string {
	if address == nil {
		return ""
	}
	host, _, err := net.SplitHostPort(address.String())
	if err != nil {
		return address.String()
	}
	return host
}
