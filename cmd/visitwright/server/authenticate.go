package server

import (
	"context"
	"errors"
	"math/rand/v2"
	"strings"
	"time"

	"google.golang.org/grpc/metadata"

	"github.com/visitwright/visitwright/store/access"
)

// authenticateLink finds out who calls. It comes before everything that reads
// the request: who has no token learns nothing about what would be valid.
func authenticateLink(tokens access.Finder, bad *limiter, recheck time.Duration) link {
	return link{
		name: LinkAuthenticate, after: []string{LinkRecovery, LinkLog, LinkMetrics, LinkDeadline},
		around: func(ctx context.Context, call *Call, next func(context.Context) error) error {
			if open(call.Method) {
				call.Anyone = true
				// Nobody yet; but what is written down about the call names it.
				return next(access.With(ctx, access.Identity{Correlation: call.ID}))
			}
			// An address that guesses is put off before the store is asked. The one
			// inside the process is everybody's behind the desk: there, whoever
			// guesses would put off the whole practice.
			guessed := func() {}
			if call.Peer != insideNetwork {
				if wait := bad.look(call.Peer); wait > 0 {
					return tooOften(call, wait)
				}
				guessed = func() { bad.take(call.Peer) }
			}
			token, given := bearer(ctx)
			if !given {
				guessed()
				return noToken(call)
			}
			authenticate := access.AuthenticateUse
			if call.Watch || unattended(ctx) {
				authenticate = access.Authenticate
			}
			caller, err := authenticate(ctx, tokens, token)
			if err != nil {
				if errors.Is(err, access.ErrUnauthenticated) {
					guessed()
				}
				return badToken(call, err)
			}
			caller.Correlation = call.ID
			call.Caller = caller
			ctx = access.With(ctx, caller)
			if call.Watch && caller.Person != "" {
				return whileInForce(ctx, call, tokens, token, recheck, next)
			}
			return next(ctx)
		},
	}
}

// UnattendedHeader marks a call behind which nobody stands: a screen that
// refreshes itself must not keep a session alive.
const UnattendedHeader = "visitwright-unattended"

func unattended(ctx context.Context) bool {
	md, _ := metadata.FromIncomingContext(ctx)
	return len(md.Get(UnattendedHeader)) > 0
}

// whileInForce runs a stream of a session and ends it with the session.
func whileInForce(ctx context.Context, call *Call, tokens access.Finder, token string, recheck time.Duration, next func(context.Context) error) error {
	ctx, end := context.WithCancelCause(ctx)
	looked := make(chan struct{})
	go func() {
		defer close(looked)
		for {
			// Streams that began together should not ask together.
			timer := time.NewTimer(recheck - recheck/10 + rand.N(recheck/5+1))
			select {
			case <-ctx.Done():
				timer.Stop()
				return
			case <-timer.C:
			}
			// A store that does not answer ends no stream.
			if _, err := access.Authenticate(ctx, tokens, token); sessionOver(err) {
				end(err)
				return
			}
		}
	}()
	err := next(ctx)
	end(nil)
	<-looked
	if cause := context.Cause(ctx); sessionOver(cause) {
		return badToken(call, cause)
	}
	return err
}

func sessionOver(err error) bool {
	return errors.Is(err, access.ErrSessionIdle) || errors.Is(err, access.ErrSessionEnded) || errors.Is(err, access.ErrUnauthenticated)
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
