package server

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	"github.com/visitwright/visitwright/store/access"
)

// The links of the chain, outermost first. Recovery stands at both ends: the
// inner one turns a panic into an answer that log and metrics see, the outer
// one guards the links themselves.
const (
	LinkRecovery      = "recovery"
	LinkLog           = "call-id-and-log"
	LinkMetrics       = "metrics"
	LinkDeadline      = "size-and-deadline"
	LinkAuthenticate  = "authenticate"
	LinkRole          = "role"
	LinkPractice      = "practice"
	LinkRateLimit     = "rate-limit"
	LinkValidate      = "validate"
	LinkAudit         = "audit"
	LinkFaultMap      = "fault-map"
	LinkInnerRecovery = "inner-recovery"
)

// Call is what the links know of one call. It lives as long as the call.
type Call struct {
	ID      string // names the call in the log, in the audit trail and to the caller
	Method  string // the resolved method, "/visitwright.v1.PlannerService/GetCase"
	Stream  bool
	Watch   bool   // a stream that only tells: nobody need stand behind it
	Peer    string // host of the caller, without its port
	Began   time.Time
	Request proto.Message // the first message; nil until it was read
	Reply   proto.Message // nil unless the call succeeded with one reply

	Anyone bool // the method needs no token: see openMethods
	Caller access.Identity
	Reason string // ErrorInfo reason of a refusal, for log and audit
}

// link is one interceptor, the same for unary calls and streams.
type link struct {
	name string
	// after names the links that must already have run.
	after []string
	// around runs the rest of the call by calling next exactly once, or refuses.
	around func(ctx context.Context, call *Call, next func(context.Context) error) error
	// message checks each message received, before the links further in see it.
	message func(ctx context.Context, call *Call, message proto.Message) error
}

// chain runs its links in order.
type chain struct {
	links []link
	now   func() time.Time
}

// newChain refuses a list in which a link stands before one that it needs, is
// named twice, or does nothing.
func newChain(now func() time.Time, links ...link) (*chain, error) {
	var ran []string
	for _, l := range links {
		if l.around == nil && l.message == nil {
			return nil, fmt.Errorf("interceptor %q does nothing", l.name)
		}
		if slices.Contains(ran, l.name) {
			return nil, fmt.Errorf("interceptor %q stands in the chain twice", l.name)
		}
		for _, need := range l.after {
			if !slices.Contains(ran, need) {
				return nil, fmt.Errorf("interceptor %q must come after %q; the order is %s",
					l.name, need, strings.Join(names(links), ", "))
			}
		}
		ran = append(ran, l.name)
	}
	return &chain{links: links, now: now}, nil
}

func names(links []link) []string {
	list := make([]string, len(links))
	for i, l := range links {
		list[i] = l.name
	}
	return list
}

// run calls the links from the i-th inwards and then the handler.
func (c *chain) run(ctx context.Context, call *Call, i int, handler func(context.Context) error) error {
	if i == len(c.links) {
		return handler(ctx)
	}
	l := &c.links[i]
	next := func(ctx context.Context) error {
		// A unary request is read already; a stream's messages are checked as
		// they arrive.
		if l.message != nil && !call.Stream {
			if err := l.message(ctx, call, call.Request); err != nil {
				return err
			}
		}
		return c.run(ctx, call, i+1, handler)
	}
	if l.around == nil {
		return next(ctx)
	}
	return l.around(ctx, call, next)
}

func (c *chain) unary(ctx context.Context, request any, info *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (any, error) {
	call := &Call{Method: info.FullMethod, Began: c.now()}
	call.Request, _ = request.(proto.Message)
	var reply any
	err := c.run(ctx, call, 0, func(ctx context.Context) error {
		var err error
		reply, err = handler(ctx, request)
		if err == nil {
			call.Reply, _ = reply.(proto.Message)
		}
		return err
	})
	if err != nil {
		return nil, err
	}
	return reply, nil
}

func (c *chain) stream(service any, stream grpc.ServerStream, info *grpc.StreamServerInfo, handler grpc.StreamHandler) error {
	call := &Call{Method: info.FullMethod, Stream: true, Watch: !info.IsClientStream, Began: c.now()}
	return c.run(stream.Context(), call, 0, func(ctx context.Context) error {
		return handler(service, &checkedStream{ServerStream: stream, ctx: ctx, call: call, links: c.links})
	})
}

// checkedStream shows every received message to the links.
type checkedStream struct {
	grpc.ServerStream
	ctx   context.Context
	call  *Call
	links []link
}

func (s *checkedStream) Context() context.Context { return s.ctx }

func (s *checkedStream) RecvMsg(into any) error {
	if err := s.ServerStream.RecvMsg(into); err != nil {
		return err
	}
	message, ok := into.(proto.Message)
	if !ok {
		return nil
	}
	if s.call.Request == nil {
		s.call.Request = message
	}
	for i := range s.links {
		if check := s.links[i].message; check != nil {
			if err := check(s.ctx, s.call, message); err != nil {
				return err
			}
		}
	}
	return nil
}
