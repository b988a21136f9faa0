package client

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// Error is what the service answered in place of a reply.
type Error struct {
	Code    codes.Code
	Reason  string // from the contract's catalogue, for example "UNKNOWN_TOOTH"; empty when the network failed
	Message string // one sentence for a person; holds no patient data
	Fields  []FieldProblem
	// State names what stood in the way, for FAILED_PRECONDITION.
	State []StateProblem
	// Metadata belongs to the reason: ids and limits, never values.
	Metadata map[string]string
	// RetryAfter is how long to wait before the same call makes sense; 0 when
	// the service named no time.
	RetryAfter time.Duration
	// Call names the call in the service's log, when the service is at fault.
	Call string
}

// FieldProblem says what was wrong with one field of the request.
type FieldProblem struct {
	Field string // path in the request, "assessment.tooth"
	Wrong string // what was wrong and what would be right
}

// StateProblem says which state stood in the way.
type StateProblem struct {
	Kind    string
	Subject string // resource name
	Wrong   string
}

func (e *Error) Error() string {
	var text strings.Builder
	text.WriteString(e.Message)
	for _, f := range e.Fields {
		if strings.Contains(e.Message, f.Wrong) {
			continue // the sentence has said it
		}
		fmt.Fprintf(&text, "; %s: %s", f.Field, f.Wrong)
	}
	return text.String()
}

// GRPCStatus keeps the code for whoever asks status.Code.
func (e *Error) GRPCStatus() *status.Status { return status.New(e.Code, e.Message) }

// ReasonOf returns the catalogue reason of an error, or "".
func ReasonOf(err error) string {
	if e := (*Error)(nil); errors.As(err, &e) {
		return e.Reason
	}
	return ""
}

// typed turns a status into an Error. Errors of other kinds pass through.
func typed(err error) error {
	if err == nil {
		return nil
	}
	s, ok := status.FromError(err)
	if !ok {
		return err
	}
	e := &Error{Code: s.Code(), Message: s.Message()}
	for _, detail := range s.Details() {
		switch d := detail.(type) {
		case *errdetails.ErrorInfo:
			e.Reason, e.Metadata = d.GetReason(), d.GetMetadata()
		case *errdetails.BadRequest:
			for _, v := range d.GetFieldViolations() {
				e.Fields = append(e.Fields, FieldProblem{Field: v.GetField(), Wrong: v.GetDescription()})
			}
		case *errdetails.PreconditionFailure:
			for _, v := range d.GetViolations() {
				e.State = append(e.State, StateProblem{Kind: v.GetType(), Subject: v.GetSubject(), Wrong: v.GetDescription()})
			}
		case *errdetails.RetryInfo:
			e.RetryAfter = d.GetRetryDelay().AsDuration()
		case *errdetails.RequestInfo:
			e.Call = d.GetRequestId()
		}
	}
	return e
}

func typedUnary(ctx context.Context, method string, request, reply any, conn *grpc.ClientConn, invoke grpc.UnaryInvoker, options ...grpc.CallOption) error {
	return typed(invoke(ctx, method, request, reply, conn, options...))
}

func typedStream(ctx context.Context, desc *grpc.StreamDesc, conn *grpc.ClientConn, method string, open grpc.Streamer, options ...grpc.CallOption) (grpc.ClientStream, error) {
	stream, err := open(ctx, desc, conn, method, options...)
	if err != nil {
		return nil, typed(err)
	}
	return typedClientStream{stream}, nil
}

type typedClientStream struct{ grpc.ClientStream }

// RecvMsg leaves io.EOF, the end of the stream, as it is.
func (s typedClientStream) RecvMsg(into any) error { return typed(s.ClientStream.RecvMsg(into)) }
