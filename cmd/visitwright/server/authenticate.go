package server

import (
	"context"
	"errors"
	"slices"
	"strings"

	"google.golang.org/grpc/metadata"

	"github.com/visitwright/visitwright/store/access"
)

// authenticateLink finds out who calls. It comes before everything that reads
// the request: who has no token learns nothing about what would be valid.
func authenticateLink(tokens access.Finder, bad *limiter) link {
	return link{
		name: LinkAuthenticate, after: []string{LinkRecovery, LinkLog, LinkMetrics, LinkDeadline},
		around: func(ctx context.Context, call *Call, next func(context.Context) error) error {
			if slices.Contains(openMethods, call.Method) {
				call.Anyone = true
				return next(ctx)
			}
			// An address that guesses is put off before the store is asked.
			if wait := bad.look(call.Peer); wait > 0 {
				return tooOften(call, wait)
			}
			token, given := bearer(ctx)
			if !given {
				bad.take(call.Peer)
				return noToken(call)
			}
			caller, err := access.Authenticate(ctx, tokens, token)
			if err != nil {
				if errors.Is(err, access.ErrUnauthenticated) {
					bad.take(call.Peer)
				}
				return badToken(call, err)
			}
			caller.Correlation = call.ID
			call.Caller = caller
			return next(access.With(ctx, caller))
		},
	}
}

func bearer(ctx context.Context) (string, bool) {
	md, _ := metadata.FromIncomingContext(ctx)
	values := md.Get("authorization")
	if len(values) != 1 {
		return "", false
	}
	scheme, token, found := strings.Cut(values[0], " ")
	if !found || !strings.EqualFold(scheme, "bearer") || token == "" {
		return "", false
	}
	return token, true
}

// roleLink asks the method table. It decides by the resolved method, never by
// what the caller wrote in the path.
func roleLink(table access.Table, audit *refusals) link {
	return link{
		name: LinkRole, after: []string{LinkAuthenticate},
		around: func(ctx context.Context, call *Call, next func(context.Context) error) error {
			if call.Anyone || table.Allows(call.Method, call.Caller.Role) {
				return next(ctx)
			}
			err := wrongRole(call, table[call.Method])
			audit.keep(ctx, call)
			return err
		},
	}
}

// rateLink spaces the calls of one token.
func rateLink(calls *limiter) link {
	return link{
		name: LinkRateLimit, after: []string{LinkAuthenticate, LinkRole, LinkPractice},
		around: func(ctx context.Context, call *Call, next func(context.Context) error) error {
			key := call.Caller.Token
			if call.Anyone {
				key = "from " + call.Peer
			}
			if wait := calls.take(key); wait > 0 {
				return tooOften(call, wait)
			}
			return next(ctx)
		},
	}
}
