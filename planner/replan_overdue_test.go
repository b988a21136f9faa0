package planner

import (
	"testing"

	"github.com/visitwright/visitwright/planner/window"
)

// A follow-up keeps the words of its action. A later version may say the same
// otherwise: the tooth must get its plan all the same.
func TestWhatAnOverdueToothNeedsIsFoundByItsWordsOrElseByItsDay(t *testing.T) {
	w := window.Window{Needed: true, Latest: 28, Past: []window.Action{{AfterDay: 28, ID: "re-dress", Text: "Dress again."}, {AfterDay: 90, ID: "clean-again", Text: "Clean again."}}}
	for _, c := range []struct {
		words string
		day   int
		want  string
	}{
		{"Dress again.", 40, "re-dress"},
		{"Dress again.", 95, "re-dress"}, // the next date is a plan of its own
		{"Put in a new dressing.", 40, "re-dress"},
		{"Clean everything once more.", 95, "clean-again"},
		{"Put in a new dressing.", 20, ""},
	} {
		if a, ok := actionOf(w, c.words, c.day); a.ID != c.want || ok != (c.want != "") {
			t.Errorf("%q on day %d: %q, want %q", c.words, c.day, a.ID, c.want)
		}
	}
}
