package server

import (
	"context"
	"log/slog"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"github.com/visitwright/visitwright/store"
)

// RefusalWriter keeps a refused call in the audit trail.
type RefusalWriter interface {
	RecordRefusal(ctx context.Context, call store.Call, resource, reason string) error
}

// refusals writes down who was refused what. What is done and read is written
// by the store itself, in the transaction of the change.
type refusals struct {
	writer RefusalWriter
	log    *slog.Logger
}

// keep writes one refused call. The caller's deadline does not bind it: who
// hangs up is written down all the same.
func (r *refusals) keep(ctx context.Context, call *Call) {
	if call.Caller.Practice == "" {
		return // nobody's trail: the log has it
	}
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), RefusalTimeout)
	defer cancel()
	resource := ""
	if call.Request != nil {
		resource = resourceOf(call.Request.ProtoReflect())
	}
	if err := r.writer.RecordRefusal(ctx, call.storeCall(), resource, call.Reason); err != nil {
		r.log.Error("a refused call could not be written to the audit trail", "call", call.ID)
	}
}

// auditLink writes down what the handlers themselves refuse for lack of rights,
// and every look for a record that is not this practice's.
func auditLink(audit *refusals) link {
	return link{
		name: LinkAudit, after: []string{LinkAuthenticate, LinkRole, LinkPractice, LinkValidate},
		around: func(ctx context.Context, call *Call, next func(context.Context) error) error {
			err := next(ctx)
			switch status.Code(err) {
			case codes.PermissionDenied, codes.NotFound:
				audit.keep(ctx, call)
			}
			return err
		},
	}
}
