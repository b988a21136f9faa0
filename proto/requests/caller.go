// Package requests reads what the requests of every service bring alike: who
// calls, which practice they speak of, what makes a repeated one the same, and
// which page of a list they ask for.
package requests

import (
	"errors"

	"google.golang.org/protobuf/proto"

	"github.com/visitwright/visitwright/proto/fault"
	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// ErrNoCaller is a fault of the wiring: nobody found out who calls.
var ErrNoCaller = errors.New("the context names no caller")

// Caller is who calls.
type Caller struct {
	store.Call
	// Clinician is the id of the clinician for whom a clinician's token stands;
	// empty for all others.
	Clinician string
}

// Writing is what every request that changes something brings.
type Writing interface {
	proto.Message
	GetRequestId() string
	GetOnBehalfOf() string
}

// Write returns the caller with the request's id and content, so that the store
// gives a repeated request its first answer. One that is only looked at is not
// kept, and may be sent again as the real one.
func (c Caller) Write(r Writing) (Caller, error) {
	if behalf := r.GetOnBehalfOf(); behalf != "" {
		if c.Role != store.RoleIntegration {
			return Caller{}, fault.Denied(vw.ErrorReason_ERROR_REASON_ON_BEHALF_OF_NOT_ALLOWED, "on_behalf_of is for integrations: leave it empty")
		}
		c.ActingFor = behalf
	}
	preview, _ := r.(interface{ GetValidateOnly() bool })
	if r.GetRequestId() == "" || preview != nil && preview.GetValidateOnly() {
		return c, nil
	}
	content, err := proto.MarshalOptions{Deterministic: true}.Marshal(r)
	if err != nil {
		return Caller{}, err
	}
	c.RequestID, c.RequestHash = r.GetRequestId(), store.HashRequest(content)
	return c, nil
}

// Reading is the call without its request id: what a write reads beforehand.
func (c Caller) Reading() store.Call {
	call := c.Call
	call.RequestID, call.RequestHash = "", [32]byte{}
	return call
}

// One takes the name of one resource apart. A name of another practice answers
// as if the resource did not exist.
func (c Caller) One(pattern, field, name string, missing vw.ErrorReason) (names.Name, error) {
	n, err := names.Parse(pattern, name)
	if err != nil {
		return names.Name{}, fault.Invalid(vw.ErrorReason_ERROR_REASON_INVALID_NAME, field, err.Error())
	}
	if n.Practice != c.Practice {
		return names.Name{}, fault.NotFound(missing, name)
	}
	return n, nil
}

// Within refuses the name of another practice as if it did not exist.
func (c Caller) Within(field, name string) error {
	_, err := c.One(names.PracticePattern, field, name, vw.ErrorReason_ERROR_REASON_PRACTICE_NOT_FOUND)
	return err
}
