package desk

import "testing"

func TestANewPatientGetsTheReferenceAfterTheGreatestOfTheUsualKind(t *testing.T) {
	for _, c := range []struct {
		have []string
		want string
	}{
		{nil, ""},
		{[]string{"walk-in"}, ""},
		{[]string{"INVENTED-0046", "INVENTED-0009", "X7"}, "INVENTED-0047"},
		{[]string{"99", "7"}, "100"},
		{[]string{"P-099", "P-99"}, "P-100"},
	} {
		if got := referenceAfter(c.have); got != c.want {
			t.Errorf("after %v: %q, want %q", c.have, got, c.want)
		}
	}
}
