package cli

import (
	"strconv"
	"strings"

	"github.com/visitwright/visitwright/planner/tooth"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// toothOf reads a tooth as people type it. A bare number is an ISO code unless
// the practice shows its teeth by universal numbers: 18 would be another tooth
// there.
func (s *Session) toothOf(text string) (*vw.Tooth, error) {
	notation := vw.ToothNotation_TOOTH_NOTATION_ISO
	if isBareNumber(text) {
		settings, err := s.settings()
		if err != nil {
			return nil, err
		}
		notation = settings.GetNotation()
	}
	return readTooth(text, notation)
}

// readTooth reads a quadrant and a digit (LR6), a universal number behind "#",
// or a bare number as the practice shows its teeth.
func readTooth(text string, notation vw.ToothNotation) (*vw.Tooth, error) {
	system := tooth.ISO
	if isBareNumber(text) && notation == vw.ToothNotation_TOOTH_NOTATION_UNIVERSAL {
		system = tooth.Universal
	}
	switch {
	case strings.HasPrefix(text, "#"):
		system, text = tooth.Universal, text[1:]
	case text != "" && (text[0] < '0' || text[0] > '9'):
		system = tooth.Quadrant
	}
	code, err := tooth.Parse(text, system)
	if err != nil {
		if n, bad := strconv.Atoi(text); bad == nil && system == tooth.ISO && n >= 1 && n <= 32 {
			return nil, usage("--tooth: %v; the universal number is written '#%d', in quotes", err, n)
		}
		return nil, usage("--tooth: %v", err)
	}
	return &vw.Tooth{Iso: code.In(tooth.ISO)}, nil
}

func isBareNumber(text string) bool {
	return text != "" && strings.Trim(text, "0123456789") == ""
}
