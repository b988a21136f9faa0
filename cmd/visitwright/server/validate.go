package server

import (
	"context"

	"buf.build/go/protovalidate"
	"google.golang.org/protobuf/proto"

	"github.com/visitwright/visitwright/proto/fault"
)

// validateLink holds each message against the rules of the contract. What is
// wrong is named by field and rule; the value is never repeated, since it may
// be a patient's.
func validateLink() link {
	return link{
		name: LinkValidate, after: []string{LinkAuthenticate, LinkRole, LinkPractice, LinkRateLimit},
		message: func(_ context.Context, call *Call, message proto.Message) error {
			err := protovalidate.Validate(message)
			if err == nil {
				return nil
			}
			if told := reasoned(call, fault.FromValidation(err)); told != nil {
				return told
			}
			return broken(call) // a rule that cannot be evaluated is ours
		},
	}
}
