package server

import (
	"errors"
	"fmt"
	"strings"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"

	"github.com/visitwright/visitwright/proto/fault"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
	"github.com/visitwright/visitwright/store/access"
)

// refuse makes the answer of a call that the chain itself refuses, and notes
// the reason for log and audit trail.
func refuse(call *Call, code codes.Code, reason vw.ErrorReason, text string) *fault.Fault {
	call.Reason = fault.ReasonName(reason)
	return &fault.Fault{Code: code, Reason: reason, Text: text}
}

func tooLate(call *Call) error {
	return refuse(call, codes.DeadlineExceeded, vw.ErrorReason_ERROR_REASON_DEADLINE_TOO_SHORT,
		fmt.Sprintf("too little time to begin: give the call at least %v", HeldBack+LeastWork))
}

func tooLarge(call *Call, size int) error {
	return refuse(call, codes.ResourceExhausted, vw.ErrorReason_ERROR_REASON_REQUEST_TOO_LARGE,
		fmt.Sprintf("the request has %d bytes, at most %d are taken", size, MaxRequestBytes))
}

func tooOften(call *Call, wait time.Duration) error {
	f := refuse(call, codes.ResourceExhausted, vw.ErrorReason_ERROR_REASON_RATE_LIMITED,
		"too many calls; wait as long as the details say")
	f.RetryAfter = wholeMilliseconds(wait)
	return f
}

// wholeMilliseconds rounds a wait up.
func wholeMilliseconds(wait time.Duration) time.Duration {
	return (wait + time.Millisecond - 1).Truncate(time.Millisecond)
}

func noToken(call *Call) error {
	return refuse(call, codes.Unauthenticated, vw.ErrorReason_ERROR_REASON_TOKEN_MISSING,
		`no access token: send "authorization: Bearer <token>"; the practice's manager gives one out`)
}

func badToken(call *Call, err error) error {
	if errors.Is(err, access.ErrUnauthenticated) {
		return refuse(call, codes.Unauthenticated, vw.ErrorReason_ERROR_REASON_TOKEN_INVALID,
			"the access token is unknown, revoked or expired; the practice's manager gives out another")
	}
	switch {
	case errors.Is(err, access.ErrSessionIdle):
		return refuse(call, codes.Unauthenticated, vw.ErrorReason_ERROR_REASON_SESSION_IDLE, "the session was not used for too long: sign in again")
	case errors.Is(err, access.ErrSessionEnded):
		return refuse(call, codes.Unauthenticated, vw.ErrorReason_ERROR_REASON_SESSION_ENDED, "the session has ended: sign in again")
	}
	f := refuse(call, codes.Unavailable, vw.ErrorReason_ERROR_REASON_STORE_UNAVAILABLE,
		"the access token cannot be checked at the moment; try again")
	f.RetryAfter = time.Second
	return f
}

func wrongRole(call *Call, allowed []store.Role) error {
	who := "no role may call it"
	if len(allowed) > 0 {
		var names []string
		for _, role := range allowed {
			names = append(names, string(role))
		}
		who = "it is for " + strings.Join(names, ", ")
	}
	return refuse(call, codes.PermissionDenied, vw.ErrorReason_ERROR_REASON_ROLE_NOT_ALLOWED,
		fmt.Sprintf("a token of role %s may not call %s: %s", call.Caller.Role, methodName(call.Method), who))
}

// otherPractice answers as if the resource did not exist: whose it is, is not
// told.
func otherPractice(call *Call) error {
	return refuse(call, codes.NotFound, vw.ErrorReason_ERROR_REASON_PRACTICE_NOT_FOUND,
		"no such practice for this token: use the names that the service gave")
}

func onBehalfNotAllowed(call *Call) error {
	return refuse(call, codes.PermissionDenied, vw.ErrorReason_ERROR_REASON_ON_BEHALF_OF_NOT_ALLOWED,
		"on_behalf_of is for integrations: leave it empty")
}

func onBehalfRequired(call *Call) error {
	f := fault.Invalid(vw.ErrorReason_ERROR_REASON_ON_BEHALF_OF_REQUIRED, "on_behalf_of", "the person of the practice who asked for this")
	call.Reason = fault.ReasonName(f.Reason)
	return f
}

// broken is the answer to a fault of ours. It shows nothing but the call's id.
func broken(call *Call) error {
	f := refuse(call, codes.Internal, vw.ErrorReason_ERROR_REASON_INTERNAL_ERROR, "internal error; the log names this call")
	s, err := f.GRPCStatus().WithDetails(&errdetails.RequestInfo{RequestId: call.ID})
	if err != nil {
		return f
	}
	return s.Err()
}

// methodName is the last part of a full method name.
func methodName(full string) string { return full[strings.LastIndexByte(full, '/')+1:] }
