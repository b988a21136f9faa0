package server

import (
	"context"
	"strings"

	"google.golang.org/grpc/metadata"
)

// Caller is who calls, as the token says.
type Caller struct {
	Practice string
	Role     string
	TokenID  string // the public half of the token; safe to log
}

// Authenticator knows tokens. Enter puts the caller where the handlers find it.
type Authenticator interface {
	// Authenticate returns an error for every token that is not in force.
	Authenticate(ctx context.Context, token string) (Caller, error)
	Enter(ctx context.Context, call *Call) context.Context
}

// The roles of the method table.
const (
	Reception   = "reception"
	Nurse       = "nurse"
	Clinician   = "clinician"
	Manager     = "manager"
	Integration = "integration"
	// Anyone needs no token. It is given to health and reflection only.
	Anyone = "anyone"
)

// Methods says which roles may call which method. A method that is not listed
// may be called by nobody.
type Methods map[string][]string

func (m Methods) allows(method, role string) bool {
	for _, allowed := range m[method] {
		if allowed == role {
			return true
		}
	}
	return false
}

// authenticateLink finds out who calls. It comes before everything that reads
// the request: who has no token learns nothing about what would be valid.
func authenticateLink(access Authenticator, methods Methods, bad *limiter) link {
	return link{
		name: LinkAuthenticate, after: []string{LinkRecovery, LinkLog, LinkMetrics, LinkDeadline},
		around: func(ctx context.Context, call *Call, next func(context.Context) error) error {
			if methods.allows(call.Method, Anyone) {
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
			caller, err := access.Authenticate(ctx, token)
			if err != nil {
				if unknownToken(err) {
					bad.take(call.Peer)
				}
				return badToken(call, err)
			}
			call.Caller = caller
			return next(access.Enter(ctx, call))
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
func roleLink(methods Methods, audit *refusals) link {
	return link{
		name: LinkRole, after: []string{LinkAuthenticate},
		around: func(ctx context.Context, call *Call, next func(context.Context) error) error {
			if call.Anyone || methods.allows(call.Method, call.Caller.Role) {
				return next(ctx)
			}
			err := wrongRole(call, methods[call.Method])
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
			key := call.Caller.TokenID
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
