package planner

import (
	"errors"

	"github.com/visitwright/visitwright/planner/tooth"
	"github.com/visitwright/visitwright/proto/fault"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// toothFromProto reads a tooth; 0 when it is not yet identified. Primary teeth
// are refused with a reason of their own.
func toothFromProto(path string, t *vw.Tooth) (tooth.Code, error) {
	if t == nil {
		return 0, nil
	}
	code, err := tooth.Parse(t.GetIso(), tooth.ISO)
	switch {
	case errors.Is(err, tooth.ErrPrimary):
		return 0, fault.Invalid(vw.ErrorReason_ERROR_REASON_PRIMARY_TOOTH, path+".iso",
			"a permanent tooth, ISO 3950 code 11 to 48; primary teeth are not planned here").Because(err)
	case err != nil:
		return 0, fault.Invalid(vw.ErrorReason_ERROR_REASON_UNKNOWN_TOOTH, path+".iso",
			"an ISO 3950 code from 11 to 48 with a second digit from 1 to 8, for example 46").Because(err)
	}
	return code, nil
}

// showTooth writes a kept tooth anew in the practice's notation of today; the
// code and the words stay.
func showTooth(t *vw.Tooth, shown tooth.System) {
	if code, err := tooth.Parse(t.GetIso(), tooth.ISO); err == nil {
		t.Shown = code.In(shown)
	}
}

// toothToProto shows a tooth in code, words and the practice's notation; nil
// when it is not yet identified.
func toothToProto(code tooth.Code, shown tooth.System) *vw.Tooth {
	if !code.Valid() {
		return nil
	}
	return &vw.Tooth{Iso: code.In(tooth.ISO), Words: code.Words(), Shown: code.In(shown)}
}
