package planner

import (
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	"github.com/visitwright/visitwright/proto/fault"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// fields is a set of field names of a resource.
type fields map[string]bool

func (f fields) any(names ...string) bool {
	return slices.ContainsFunc(names, func(n string) bool { return f[n] })
}

// masked says which fields an update sets: those of the mask, or without one
// those that are populated. Only fields in settable may stand in a mask; "*"
// stands for all of them.
func masked(mask *fieldmaskpb.FieldMask, resource proto.Message, settable ...string) (fields, error) {
	out := fields{}
	if len(mask.GetPaths()) == 0 {
		resource.ProtoReflect().Range(func(f protoreflect.FieldDescriptor, _ protoreflect.Value) bool {
			if name := string(f.Name()); slices.Contains(settable, name) {
				out[name] = true
			}
			return true
		})
		if len(out) == 0 {
			return nil, fault.Invalid(vw.ErrorReason_ERROR_REASON_INVALID_UPDATE_MASK, "update_mask", "at least one field to set")
		}
		return out, nil
	}
	for _, path := range mask.GetPaths() {
		switch {
		case path == "*":
			for _, name := range settable {
				out[name] = true
			}
		case slices.Contains(settable, path):
			out[path] = true
		default:
			return nil, fault.Invalid(vw.ErrorReason_ERROR_REASON_INVALID_UPDATE_MASK, "update_mask",
				"fields that may be set: "+strings.Join(settable, ", ")).With("settable", strings.Join(settable, ","))
		}
	}
	return out, nil
}

// etagNeeded refuses an update that does not say what it was based on.
func etagNeeded(field, etag string) error {
	if etag == "" {
		return fault.Invalid(vw.ErrorReason_ERROR_REASON_INVALID_FIELD, field, "the etag of the record as it was read")
	}
	return nil
}

// pick returns a pointer to the value when the field is set by the update, and
// nil otherwise.
func pick[T any](f fields, name string, value T) *T {
	if !f[name] {
		return nil
	}
	return &value
}
