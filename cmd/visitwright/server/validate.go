package server

import (
	"context"
	"errors"
	"strings"

	"buf.build/go/protovalidate"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
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
			var broken *protovalidate.ValidationError
			if !errors.As(err, &broken) {
				return err // a rule that cannot be evaluated is a fault of ours
			}
			bad := &errdetails.BadRequest{}
			for _, v := range broken.Violations {
				bad.FieldViolations = append(bad.FieldViolations, &errdetails.BadRequest_FieldViolation{
					Field: protovalidate.FieldPathString(v.Proto.GetField()), Description: wanted(v),
				})
			}
			reason := vw.ErrorReason_ERROR_REASON_INVALID_FIELD
			text := "a field is not as it should be"
			if n := len(bad.FieldViolations); n > 1 {
				text = "several fields are not as they should be"
			}
			if len(broken.Violations) == 1 && strings.HasPrefix(broken.Violations[0].Proto.GetRuleId(), "enum.defined_only") {
				reason = vw.ErrorReason_ERROR_REASON_UNKNOWN_ENUM_VALUE
			}
			return refuse(call, codes.InvalidArgument, reason, text, bad)
		},
	}
}

// wanted says what would be right. The messages of the standard rules speak of
// the rule alone ("must be greater than or equal to 2"), which the test over
// all rules of the contract holds.
func wanted(v *protovalidate.Violation) string {
	text := v.Proto.GetMessage()
	if strings.HasSuffix(v.Proto.GetRuleId(), ".pattern") && v.RuleDescriptor != nil && v.RuleValue.IsValid() {
		text = "must match " + v.RuleValue.String()
	}
	if text == "" {
		text = "breaks the rule " + v.Proto.GetRuleId()
	}
	return text
}
