package desk

import (
	"slices"
	"strings"

	"github.com/visitwright/visitwright/clients/occasion"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// occasionView is what an urgent caller said, as it is shown to whoever sees the
// patient.
type occasionView struct {
	Said   string
	Raised []string // questions that were answered with yes
	Denied []string
}

// occasionView is nil where nothing was said.
func (q *ask) occasionView(o *vw.CallOccasion) (*occasionView, error) {
	if o == nil {
		return nil, nil
	}
	named, err := q.catalogues("red-flags")
	if err != nil {
		return nil, err
	}
	v := &occasionView{Said: q.troubleWords(o.GetTrouble(), o.GetWords())}
	for _, id := range o.GetRaisedFlags() {
		v.Raised = append(v.Raised, named["red-flags"].Title(id))
	}
	for _, id := range o.GetDeniedFlags() {
		v.Denied = append(v.Denied, named["red-flags"].Title(id))
	}
	return v, nil
}

// callOf is what was said of the first of the appointments that came from an
// urgent call.
func callOf(list []*vw.Appointment) *vw.CallOccasion {
	for _, a := range list {
		if o := a.GetOccasion(); o != nil {
			return o
		}
	}
	return nil
}

// troubleWords is what is wrong, by the kind that was chosen and in the caller's
// words.
func (q *ask) troubleWords(trouble, words string) string {
	if trouble = occasion.Trouble(trouble); trouble != "" {
		trouble = q.t("call.trouble-" + trouble)
		if words == "" {
			return trouble
		}
		trouble += ": "
	}
	return trouble + strings.TrimRight(words, ". ")
}

// callLine is an urgent call in the few words that a drawn day has room for. What
// the caller said in their own words is left to the page of the appointment.
func (q *ask) callLine(o *vw.CallOccasion) string {
	switch {
	case o == nil:
		return ""
	case o.GetTrouble() == "":
		return q.t("call.occasion")
	}
	return q.t("call.occasion-short", q.troubleWords(o.GetTrouble(), ""))
}

// trouble is the kind that was chosen; empty when it was not asked.
func (p *callPage) trouble() string {
	if given := p.Form.Get("trouble"); slices.Contains(occasion.Troubles, given) {
		return given
	}
	return ""
}

// words are the caller's own, as many as are kept.
func (p *callPage) words() string {
	words := []rune(p.Form.Get("trouble-words"))
	return string(words[:min(len(words), occasion.MostWords)])
}
