package cli

import (
	"strings"

	"github.com/visitwright/visitwright/planner/tooth"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// toothOf reads a tooth as people type it: ISO digits, a quadrant and a digit
// (LR6), or a universal number behind "#".
func toothOf(text string) (*vw.Tooth, error) {
	system := tooth.ISO
	switch {
	case strings.HasPrefix(text, "#"):
		system, text = tooth.Universal, text[1:]
	case text != "" && (text[0] < '0' || text[0] > '9'):
		system = tooth.Quadrant
	}
	code, err := tooth.Parse(text, system)
	if err != nil {
		return nil, usage("--tooth: %v", err)
	}
	return &vw.Tooth{Iso: code.In(tooth.ISO)}, nil
}
