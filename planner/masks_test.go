package planner

import (
	"slices"
	"testing"

	"google.golang.org/protobuf/reflect/protoreflect"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// A setting that an update cannot set would be ignored without a word.
func TestEverySettingButTheOutputOnlyOnesCanBeSet(t *testing.T) {
	outputOnly := []string{"name", "update_time", "etag"}
	d := (&vw.PracticeSettings{}).ProtoReflect().Descriptor().Fields()
	for i := range d.Len() {
		name := string(d.Get(i).Name())
		if slices.Contains(settable, name) == slices.Contains(outputOnly, name) {
			t.Errorf("%s: can be set is %v", name, slices.Contains(settable, name))
		}
	}
	for _, name := range settable {
		if d.ByName(protoreflect.Name(name)) == nil {
			t.Errorf("%s can be set and does not exist", name)
		}
	}
}
