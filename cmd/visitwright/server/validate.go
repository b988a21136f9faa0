package server

import (
	"context"
	"errors"
	"slices"
	"strings"

	"buf.build/go/protovalidate"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

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
			if err == nil || onlyLeftOut(message, err) {
				return nil
			}
			if told := reasoned(call, fault.FromValidation(err)); told != nil {
				return told
			}
			return broken(call) // a rule that cannot be evaluated is ours
		},
	}
}

// onlyLeftOut reports whether every broken rule is about a field that the
// request's update mask leaves as it is: to change a weight nobody needs to
// send the reference again. It takes the violations that stay out of err.
func onlyLeftOut(message proto.Message, err error) bool {
	var found *protovalidate.ValidationError
	masked, has := message.(interface{ GetUpdateMask() *fieldmaskpb.FieldMask })
	if !has || len(masked.GetUpdateMask().GetPaths()) == 0 || !errors.As(err, &found) {
		return false
	}
	paths := masked.GetUpdateMask().GetPaths()
	found.Violations = slices.DeleteFunc(found.Violations, func(v *protovalidate.Violation) bool {
		_, field, inside := strings.Cut(protovalidate.FieldPathString(v.Proto.GetField()), ".")
		if !inside || field == "name" || field == "etag" {
			return false
		}
		return !slices.ContainsFunc(paths, func(path string) bool {
			return field == path || strings.HasPrefix(field, path+".") || strings.HasPrefix(field, path+"[") || strings.HasPrefix(path, field+".")
		})
	})
	return len(found.Violations) == 0
}
