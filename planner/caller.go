package planner

import (
	"context"
	"fmt"
	"slices"

	"github.com/visitwright/visitwright/proto/fault"
	"github.com/visitwright/visitwright/proto/names"
	"github.com/visitwright/visitwright/proto/requests"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// writing is what every request that changes something brings.
type writing interface {
	requests.Writing
	GetValidateOnly() bool
}

// who returns the caller of a request that reads.
func (s *Service) who(ctx context.Context) (Caller, error) {
	caller, ok := s.caller(ctx)
	if !ok || caller.Practice == "" {
		return Caller{}, fmt.Errorf("planner: %w", requests.ErrNoCaller)
	}
	return Caller{caller}, nil
}

// writer returns the caller of a request that changes something, with the
// request's id and content, so that the store gives a repeated request its
// first answer.
func (s *Service) writer(ctx context.Context, r writing) (Caller, error) {
	caller, err := s.who(ctx)
	if err != nil {
		return Caller{}, err
	}
	caller.Caller, err = caller.Write(r)
	return caller, err
}

// ids reads a list of names of one kind. One of another practice is left out,
// as if it did not exist.
func (c Caller) ids(pattern, field string, list []string) ([]string, error) {
	var out []string
	for i, name := range list {
		n, err := names.Parse(pattern, name)
		if err != nil {
			return nil, fault.Invalid(vw.ErrorReason_ERROR_REASON_INVALID_NAME, fmt.Sprintf("%s[%d]", field, i), err.Error())
		}
		if n.Practice == c.Practice {
			out = append(out, n.ID)
		}
	}
	return out, nil
}

func (c Caller) caseID(field, name string) (string, error) {
	n, err := c.One(names.CasePattern, field, name, vw.ErrorReason_ERROR_REASON_CASE_NOT_FOUND)
	return n.ID, err
}

// mayOnlyPreview refuses a caller who may look at the answer but not keep it.
func (c Caller) mayOnlyPreview(validateOnly bool, kept string, allowed ...store.Role) error {
	if validateOnly || slices.Contains(allowed, c.Role) {
		return nil
	}
	return fault.Denied(vw.ErrorReason_ERROR_REASON_CLINICIAN_REQUIRED,
		"a clinician or a nurse keeps "+kept+"; with validate_only it can be looked at")
}
