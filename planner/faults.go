package planner

import (
	"context"
	"errors"
	"strings"

	"google.golang.org/grpc/codes"

	"github.com/visitwright/visitwright/planner/anatomy"
	"github.com/visitwright/visitwright/planner/protocol"
	"github.com/visitwright/visitwright/planner/tooth"
	"github.com/visitwright/visitwright/planner/visits"
	"github.com/visitwright/visitwright/proto/fault"
	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// fault turns what the layers below say into what the client is told. It is
// the one mapping of this service: what it does not know stays as it is, and
// the server then answers INTERNAL and hides the text.
func (s *Service) fault(err error, caller Caller, at fault.Paths) error {
	var (
		known *fault.Fault
		input *protocol.InputError
		model *visits.FieldError
	)
	switch {
	case err == nil, errors.As(err, &known):
		return err
	case errors.Is(err, names.ErrPageToken):
		return fault.Invalid(vw.ErrorReason_ERROR_REASON_INVALID_PAGE_TOKEN, "page_token", "next_page_token of the page before, with the same request").Because(err)
	case errors.Is(err, tooth.ErrPrimary):
		return fault.Invalid(vw.ErrorReason_ERROR_REASON_PRIMARY_TOOTH, at.Of("tooth"),
			"a permanent tooth, ISO 3950 code 11 to 48; primary teeth are not planned here").Because(err)
	case errors.Is(err, anatomy.ErrContradiction), errors.Is(err, anatomy.ErrImpossible), errors.Is(err, anatomy.ErrEvidence):
		return evidenceFault(err)
	case errors.As(err, &input):
		return inputFault(input, at).Because(err)
	case errors.As(err, &model):
		return fault.Invalid(vw.ErrorReason_ERROR_REASON_IMPOSSIBLE_FIGURE, at.Of(model.Field), model.Want).Because(err)
	case errors.Is(err, context.DeadlineExceeded):
		return (&fault.Fault{Code: codes.DeadlineExceeded, Reason: vw.ErrorReason_ERROR_REASON_DEADLINE_PASSED,
			Text: "the time ran out; repeat a write with the same request id"}).Because(err)
	}
	return fault.FromStore(err, caller.Practice, at)
}

// inputFault says which field was wrong and what would be right. The problem's
// own text may repeat what was sent, and stays here.
func inputFault(input *protocol.InputError, at fault.Paths) *fault.Fault {
	want := input.Want
	if want == "" {
		want = "another value"
	}
	return fault.Invalid(inputReason(input.Field), at.Of(input.Field), want)
}

func inputReason(field string) vw.ErrorReason {
	switch root, _, _ := strings.Cut(field, "."); root {
	case "overrides":
		return vw.ErrorReason_ERROR_REASON_INVALID_OVERRIDE
	case "expected_canals":
		return vw.ErrorReason_ERROR_REASON_IMPOSSIBLE_CANAL_COUNT
	case "protocol", "diagnosis", "medicament", "temporary", "stop", "step", "event", "conditions":
		return vw.ErrorReason_ERROR_REASON_UNKNOWN_CATALOGUE_ID
	case "canals":
		return vw.ErrorReason_ERROR_REASON_IMPOSSIBLE_CANAL_COUNT
	case "begun", "patient", "spacing", "grid", "cost", "bear", "horizon", "cap", "course_ends_in", "seal_mm":
		return vw.ErrorReason_ERROR_REASON_IMPOSSIBLE_FIGURE
	}
	return vw.ErrorReason_ERROR_REASON_INVALID_FIELD
}

// evidenceFault turns what anatomy and difficulty refuse into faults. Both
// speak of ids and counts only, never of a person.
func evidenceFault(err error) error {
	var contradiction *anatomy.Contradiction
	switch {
	case errors.As(err, &contradiction):
		fields := []fault.Field{{Path: "findings.evidence", Want: "not both: " + contradiction.First}, {Path: "findings.evidence", Want: "not both: " + contradiction.Second}}
		for i, at := range contradiction.At {
			fields[i].Path = index("findings.evidence", at)
		}
		return fault.InvalidFields(vw.ErrorReason_ERROR_REASON_CONTRADICTORY_EVIDENCE, contradiction.Error(), fields...).Because(err)
	case errors.Is(err, anatomy.ErrImpossible):
		return fault.Invalid(vw.ErrorReason_ERROR_REASON_IMPOSSIBLE_CANAL_COUNT, "findings.evidence", afterWant(err)).Because(err)
	case errors.Is(err, anatomy.ErrEvidence):
		return fault.Invalid(vw.ErrorReason_ERROR_REASON_INVALID_FIELD, "findings.evidence", afterWant(err)).Because(err)
	}
	return err
}

// answersFault is a refusal of the difficulty form after its ids were checked:
// an answer contradicts the tooth.
func answersFault(err error) error {
	return fault.Invalid(vw.ErrorReason_ERROR_REASON_CONTRADICTORY_EVIDENCE, "findings.answers", afterWant(err)).Because(err)
}

// afterWant is what an error of the form "...; want X" would have.
func afterWant(err error) string {
	if _, want, ok := strings.Cut(err.Error(), "want "); ok {
		return want
	}
	return "what goes with the rest of the findings"
}
