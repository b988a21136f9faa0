package occasion

import (
	"strings"
	"testing"

	"buf.build/go/protovalidate"
	"google.golang.org/protobuf/proto"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

func TestACallKeepsEachRedFlagWithItsAnswer(t *testing.T) {
	got := Of("swelling", "since Sunday", []*vw.RedFlagAnswer{{Question: "fever"}, {Question: "swallowing", Yes: true}, {Question: "injury"}})
	want := &vw.CallOccasion{Trouble: "swelling", Words: "since Sunday", RaisedFlags: []string{"swallowing"}, DeniedFlags: []string{"fever", "injury"}}
	if !proto.Equal(got, want) {
		t.Errorf("%v, want %v", got, want)
	}
}

// The contract keeps as many characters as are typed, in whichever letters.
func TestTheContractTakesTheMostWords(t *testing.T) {
	if err := protovalidate.Validate(Of("", strings.Repeat("ä", MostWords), nil)); err != nil {
		t.Error(err)
	}
	if protovalidate.Validate(Of("", strings.Repeat("ä", MostWords+1), nil)) == nil {
		t.Error("one character more was taken too")
	}
}

func TestTheContractTakesEachTroubleAndALaterOneIsShownAsOther(t *testing.T) {
	for _, kind := range append([]string{""}, Troubles...) {
		if err := protovalidate.Validate(Of(kind, "", nil)); err != nil || Trouble(kind) != kind {
			t.Errorf("%q: shown as %q, %v", kind, Trouble(kind), err)
		}
	}
	if got := Trouble("of-a-later-release"); got != "other" {
		t.Errorf("shown as %q", got)
	}
}
