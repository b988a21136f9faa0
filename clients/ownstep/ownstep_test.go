package ownstep

import (
	"errors"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

func TestAStepIsReadAsItIsWritten(t *testing.T) {
	for line, want := range map[string]*vw.OwnStep{
		Example:                                 {Id: "our-rinse", Title: "hypochlorite 3 %, warmed", Minutes: &vw.Minutes{Median: 2, LogSd: .2}},
		"edta=1:EDTA 17 %: no agitation":        {Id: "edta", Title: "EDTA 17 %: no agitation", Minutes: &vw.Minutes{Median: 1, LogSd: ClockSpread}},
		" brush = 1.5 , scaled : by hand = so ": {Id: "brush", Title: "by hand = so", Minutes: &vw.Minutes{Median: 1.5, LogSd: WorkSpread, Scaled: true}},
		"brush=3~0.6,scaled:by hand":            {Id: "brush", Title: "by hand", Minutes: &vw.Minutes{Median: 3, LogSd: .6, Scaled: true}},
	} {
		if got, err := Parse(line); err != nil || !proto.Equal(got, want) {
			t.Errorf("%q reads %v, %v; want %v", line, got, err, want)
		}
	}
}

func TestALineThatIsNotAStepSaysWhatIsWrongWithIt(t *testing.T) {
	for line, want := range map[string]error{
		"": ErrForm, "our-rinse": ErrForm, "our-rinse=2": ErrForm, "our-rinse=2,slow:rinse": ErrForm,
		"Our Rinse=2:rinse": ErrID, "=2:rinse": ErrID, strings.Repeat("a", 41) + "=2:rinse": ErrID,
		"a=two:rinse": ErrMinutes, "a=:rinse": ErrMinutes, "a=-1:rinse": ErrMinutes, "a=61:rinse": ErrMinutes, "a=NaN:rinse": ErrMinutes, "a=Inf:rinse": ErrMinutes,
		"a=2~:rinse": ErrSpread, "a=2~much:rinse": ErrSpread, "a=2~1.6:rinse": ErrSpread,
		"a=2:": ErrWords, "a=2:  ": ErrWords, "a=2:" + strings.Repeat("ä", 81): ErrWords,
	} {
		if got, err := Parse(line); !errors.Is(err, want) {
			t.Errorf("%q reads %v, %v; want %v", line, got, err, want)
		}
	}
	if _, err := Parse("a=2:" + strings.Repeat("ä", 80)); err != nil {
		t.Errorf("80 letters are too long: %v", err)
	}
}

func TestWhatIsWrittenIsReadBackWhole(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		step := &vw.OwnStep{
			Id:    rapid.StringMatching(`[a-z0-9][a-z0-9-]{0,39}`).Draw(t, "id"),
			Title: rapid.StringMatching(`[a-zA-Z0-9%=:~,/ ]{0,30}[a-z]`).Draw(t, "title"),
			Minutes: &vw.Minutes{Median: rapid.Float64Range(0, mostMinutes).Draw(t, "minutes"), LogSd: rapid.Float64Range(0, mostSpread).Draw(t, "spread"),
				Scaled: rapid.Bool().Draw(t, "scaled")},
		}
		step.Title = strings.TrimSpace(step.GetTitle())
		if got, err := Parse(Write(step)); err != nil || !proto.Equal(got, step) {
			t.Fatalf("%q reads %v, %v", Write(step), got, err)
		}
	})
}
