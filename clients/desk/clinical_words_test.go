package desk

import (
	"testing"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// A table says none where the plan's structure has none, and of no computed
// chance.
func TestATableSaysNoneOnlyWhereTheServiceDoes(t *testing.T) {
	w := &words{texts: english(t)}
	for _, c := range []struct {
		odds *vw.Odds
		want string
	}{
		{&vw.Odds{Words: "none are complete after visit 1"}, "none"},
		{&vw.Odds{Words: "fewer than 1 in 100 are complete after visit 1"}, "fewer than 1 in 100"},
		{&vw.Odds{Probability: 0.74, Words: "7 in 10 are complete after visit 2"}, "7 in 10 (about 74 %)"},
	} {
		if got := w.Told(c.odds); got != c.want {
			t.Errorf("%v reads %q, want %q", c.odds, got, c.want)
		}
	}
}
