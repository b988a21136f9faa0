package desk

import (
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

func TestOneThingToTellAPatientIsOneCall(t *testing.T) {
	on := func(day int) *timestamppb.Timestamp {
		return timestamppb.New(time.Date(2026, 11, day, 9, 0, 0, 0, time.UTC))
	}
	list := []*vw.Message{
		{Name: "first", Patient: "a", Kind: "review-invitation", Case: "c", NotBeforeTime: on(1)},
		{Name: "other tooth", Patient: "a", Kind: "review-invitation", Case: "d", NotBeforeTime: on(2)},
		{Name: "again", Patient: "a", Kind: "review-invitation", Case: "c", NotBeforeTime: on(15)},
		{Name: "other patient", Patient: "b", Kind: "review-invitation", Case: "e", NotBeforeTime: on(3)},
	}
	var got []string
	for _, m := range toCall(list) {
		got = append(got, m.GetName())
	}
	want := []string{"again", "other patient", "other tooth"}
	if len(got) != len(want) || got[0] != want[0] || got[1] != want[1] || got[2] != want[2] {
		t.Errorf("%v, want %v", got, want)
	}
	if list[0].GetName() != "first" {
		t.Error("the list itself was reordered")
	}
}
