package planner

import (
	"context"
	"errors"
	"fmt"
	"slices"

	"google.golang.org/protobuf/proto"

	"github.com/visitwright/visitwright/proto/fault"
	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

var errNoCaller = errors.New("planner: the context names no caller")

// writing is what every request that changes something brings.
type writing interface {
	proto.Message
	GetRequestId() string
	GetValidateOnly() bool
	GetOnBehalfOf() string
}

// who returns the caller of a request that reads.
func (s *Service) who(ctx context.Context) (Caller, error) {
	caller, ok := s.caller(ctx)
	if !ok || caller.Practice == "" {
		return Caller{}, errNoCaller
	}
	return caller, nil
}

// writer returns the caller of a request that changes something, with the
// request's id and content, so that the store gives a repeated request its
// first answer.
func (s *Service) writer(ctx context.Context, r writing) (Caller, error) {
	caller, err := s.who(ctx)
	if err != nil {
		return Caller{}, err
	}
	if behalf := r.GetOnBehalfOf(); behalf != "" {
		if caller.Role != store.RoleIntegration {
			return Caller{}, fault.Denied(vw.ErrorReason_ERROR_REASON_ON_BEHALF_OF_NOT_ALLOWED, "on_behalf_of is for integrations: leave it empty")
		}
		caller.ActingFor = behalf
	}
	if r.GetRequestId() == "" || r.GetValidateOnly() {
		return caller, nil
	}
	content, err := proto.MarshalOptions{Deterministic: true}.Marshal(r)
	if err != nil {
		return Caller{}, err
	}
	caller.RequestID, caller.RequestHash = r.GetRequestId(), store.HashRequest(content)
	return caller, nil
}

// one takes the name of one resource apart. A name of another practice answers
// as if the resource did not exist.
func (c Caller) one(pattern, field, name string, missing vw.ErrorReason) (names.Name, error) {
	n, err := names.Parse(pattern, name)
	if err != nil {
		return names.Name{}, fault.Invalid(vw.ErrorReason_ERROR_REASON_INVALID_NAME, field, err.Error())
	}
	if n.Practice != c.Practice {
		return names.Name{}, fault.NotFound(missing, name)
	}
	return n, nil
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

func (c Caller) practice(field, name string) error {
	_, err := c.one(names.PracticePattern, field, name, vw.ErrorReason_ERROR_REASON_PRACTICE_NOT_FOUND)
	return err
}

func (c Caller) caseID(field, name string) (string, error) {
	n, err := c.one(names.CasePattern, field, name, vw.ErrorReason_ERROR_REASON_CASE_NOT_FOUND)
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
