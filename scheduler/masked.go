package scheduler

import (
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	"github.com/visitwright/visitwright/proto/fault"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// overlay copies the fields that an update sets from wanted to kept: those of
// the mask, or without one those that are populated. Only fields in settable
// may stand in a mask; "*" stands for all of them.
func overlay(kept, wanted proto.Message, mask *fieldmaskpb.FieldMask, settable ...string) error {
	from, to := wanted.ProtoReflect(), kept.ProtoReflect()
	set := func(name string) {
		f := from.Descriptor().Fields().ByName(protoreflect.Name(name))
		if from.Has(f) {
			to.Set(f, from.Get(f))
		} else {
			to.Clear(f)
		}
	}
	if len(mask.GetPaths()) == 0 {
		found := false
		from.Range(func(f protoreflect.FieldDescriptor, _ protoreflect.Value) bool {
			if name := string(f.Name()); slices.Contains(settable, name) {
				set(name)
				found = true
			}
			return true
		})
		if !found {
			return fault.Invalid(vw.ErrorReason_ERROR_REASON_INVALID_UPDATE_MASK, "update_mask", "at least one field to set")
		}
		return nil
	}
	for _, path := range mask.GetPaths() {
		switch {
		case path == "*":
			for _, name := range settable {
				set(name)
			}
		case slices.Contains(settable, path):
			set(path)
		default:
			return fault.Invalid(vw.ErrorReason_ERROR_REASON_INVALID_UPDATE_MASK, "update_mask",
				"fields that may be set: "+strings.Join(settable, ", ")).With("settable", strings.Join(settable, ","))
		}
	}
	return nil
}

// etagNeeded refuses an update that does not say what it was based on.
func etagNeeded(field, etag string) error {
	if etag == "" {
		return invalidField(field, "the etag of the record as it was read")
	}
	return nil
}

func staleEtag(name string) error {
	return fault.Stale(vw.ErrorReason_ERROR_REASON_ETAG_MISMATCH, name, "changed by somebody else since it was read: read it again and repeat the change")
}
