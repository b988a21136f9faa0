package scheduler

import (
	"context"
	"errors"

	"google.golang.org/grpc/codes"

	"github.com/visitwright/visitwright/proto/fault"
	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/scheduler/civil"
	"github.com/visitwright/visitwright/scheduler/diary"
)

// fault turns what the layers below say into what the client is told. It is
// the one mapping of this service: what it does not know stays as it is, and
// the server then answers INTERNAL and hides the text.
func (s *Diary) fault(err error, caller Caller, at fault.Paths) error {
	var (
		known  *fault.Fault
		change *civil.ClockChangeError
		field  *diary.FieldError
	)
	switch {
	case err == nil, errors.As(err, &known):
		return err
	case errors.Is(err, names.ErrPageToken):
		return fault.Invalid(vw.ErrorReason_ERROR_REASON_INVALID_PAGE_TOKEN, "page_token", "next_page_token of the page before, with the same request").Because(err)
	case errors.As(err, &change):
		return clockFault(change, at.Of("start"))
	case errors.As(err, &field):
		return fault.Invalid(vw.ErrorReason_ERROR_REASON_INVALID_FIELD, at.Of(field.Field), field.Problem).Because(err)
	case errors.Is(err, context.DeadlineExceeded):
		return (&fault.Fault{Code: codes.DeadlineExceeded, Reason: vw.ErrorReason_ERROR_REASON_DEADLINE_PASSED,
			Text: "the time ran out; repeat a write with the same request id"}).Because(err)
	}
	return fault.FromStore(err, caller.Practice, at)
}

// clockFault says that a local start is no one instant, and names one that is.
func clockFault(c *civil.ClockChangeError, path string) *fault.Fault {
	reason := vw.ErrorReason_ERROR_REASON_TIME_AMBIGUOUS
	if errors.Is(c, civil.ErrGap) {
		reason = vw.ErrorReason_ERROR_REASON_TIME_IN_GAP
	}
	return (&fault.Fault{Code: codes.InvalidArgument, Reason: reason, Text: c.Error(), Fields: []fault.Field{{Path: path, Want: c.Error()}}}).Because(c)
}

func unknownID(path, catalogue string) *fault.Fault {
	return fault.Invalid(vw.ErrorReason_ERROR_REASON_UNKNOWN_CATALOGUE_ID, path, "an id of the catalogue "+catalogue).With("catalogue", catalogue)
}

func invalidField(path, want string) *fault.Fault {
	return fault.Invalid(vw.ErrorReason_ERROR_REASON_INVALID_FIELD, path, want)
}

// asFault reports whether err is meant for the client.
func asFault(err error, f **fault.Fault) bool { return err != nil && errors.As(err, f) }
