// Package occasion is what an urgent call leaves with the appointment that it
// leads to, from the command line and from the desk alike.
package occasion

import (
	"slices"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// MostWords is how many characters of the caller's own words are kept.
const MostWords = 200

// Troubles are the kinds of what is wrong, as the contract names them.
var Troubles = []string{"pain", "swelling", "trauma", "filling", "other"}

// Trouble is the kind as which what is wrong is shown: one of a later release is
// "other", and what was not asked stays empty.
func Trouble(kind string) string {
	if kind == "" || slices.Contains(Troubles, kind) {
		return kind
	}
	return "other"
}

// Of gathers a call: what is wrong (a kind of the contract, empty when it was not
// asked), the caller's words, and the red flags by their answer.
func Of(trouble, words string, answers []*vw.RedFlagAnswer) *vw.CallOccasion {
	o := &vw.CallOccasion{Trouble: trouble, Words: words}
	for _, a := range answers {
		if a.GetYes() {
			o.RaisedFlags = append(o.RaisedFlags, a.GetQuestion())
		} else {
			o.DeniedFlags = append(o.DeniedFlags, a.GetQuestion())
		}
	}
	return o
}
