package scheduler

import (
	"fmt"
	"slices"
	"strings"

	"github.com/visitwright/visitwright/planner/proposal"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// occasion is what an urgent caller said, as it lies sealed in an appointment's
// document.
type occasion struct {
	Trouble string   `json:"trouble,omitempty"`
	Words   string   `json:"words,omitempty"`
	Raised  []string `json:"raised,omitempty"`
	Denied  []string `json:"denied,omitempty"`
}

// occasionFromProto checks what is to be kept of a call; nil when nothing was
// said.
func occasionFromProto(o *vw.CallOccasion) (*occasion, error) {
	out := &occasion{Trouble: o.GetTrouble(), Words: strings.TrimSpace(o.GetWords()), Raised: o.GetRaisedFlags(), Denied: o.GetDeniedFlags()}
	if out.Trouble == "" && out.Words == "" && len(out.Raised)+len(out.Denied) == 0 {
		return nil, nil
	}
	asked := map[string]bool{}
	questions := proposal.RedFlags()
	for _, list := range []struct {
		field string
		ids   []string
	}{{"occasion.raised_flags", out.Raised}, {"occasion.denied_flags", out.Denied}} {
		for i, id := range list.ids {
			field := fmt.Sprintf("%s[%d]", list.field, i)
			if !slices.ContainsFunc(questions, func(f proposal.RedFlag) bool { return f.ID == id }) {
				return nil, unknownID(field, "red-flags")
			}
			if asked[id] {
				return nil, invalidField(field, "each question once, answered with yes or with no")
			}
			asked[id] = true
		}
	}
	return out, nil
}

func (o *occasion) proto() *vw.CallOccasion {
	if o == nil {
		return nil
	}
	return &vw.CallOccasion{Trouble: o.Trouble, Words: o.Words, RaisedFlags: o.Raised, DeniedFlags: o.Denied}
}
