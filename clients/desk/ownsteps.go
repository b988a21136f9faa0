package desk

import (
	"slices"
	"strings"

	"github.com/visitwright/visitwright/clients/ownstep"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// ownIrrigation is the sequence that a practice sets itself on the desk.
const ownIrrigation = "irrigation"

func isIrrigation(s *vw.OwnSequence) bool { return s.GetSequence() == ownIrrigation }

// irrigationLines is the practice's irrigation, a step a line; nothing where the
// steps that ship are used.
func irrigationLines(s *vw.PracticeSettings) string {
	var lines []string
	for _, own := range s.GetSequences() {
		if !isIrrigation(own) {
			continue
		}
		for _, step := range own.GetSteps() {
			lines = append(lines, ownstep.Write(step))
		}
	}
	return strings.Join(lines, "\n")
}

// ownSequences are the practice's sequences with the irrigation as it was typed.
// Those of other names stay.
func (q *ask) ownSequences(f *form) ([]*vw.OwnSequence, error) {
	own := &vw.OwnSequence{Sequence: ownIrrigation}
	for line := range strings.Lines(f.Get("irrigation")) {
		line = strings.TrimSpace(line)
		if line == "" {
			continue
		}
		step, err := ownstep.Parse(line)
		if err != nil {
			f.wrong("irrigation", q.t("practice.irrigation-wrong", line, err.Error()))
			return nil, nil
		}
		own.Steps = append(own.Steps, step)
	}
	now, err := q.settings()
	if err != nil {
		return nil, err
	}
	all := slices.DeleteFunc(slices.Clone(now.GetSequences()), isIrrigation)
	if len(own.GetSteps()) > 0 {
		all = append(all, own)
	}
	return all, nil
}
