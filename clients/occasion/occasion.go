// Package occasion is what an urgent call leaves with the appointment that it
// leads to, from the command line and from the desk alike.
package occasion

import (
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// MostWords is how many characters of the caller's own words are kept.
const MostWords = 200

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
