package scheduler

import (
	"context"
	"errors"

	"google.golang.org/protobuf/proto"

	"github.com/visitwright/visitwright/proto/fault"
	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

var errNoCaller = errors.New("scheduler: the context names no caller")

// writing is what every request that changes something brings.
type writing interface {
	proto.Message
	GetRequestId() string
	GetOnBehalfOf() string
}

// who returns the caller of a request that reads.
func (s *Diary) who(ctx context.Context) (Caller, error) {
	caller, ok := s.caller(ctx)
	if !ok || caller.Practice == "" {
		return Caller{}, errNoCaller
	}
	return caller, nil
}

// reader returns the caller of a request that reads something of a practice.
func (s *Diary) reader(ctx context.Context, parent string) (Caller, error) {
	caller, err := s.who(ctx)
	if err == nil {
		err = caller.practice("parent", parent)
	}
	return caller, err
}

// writer returns the caller of a request that changes something, with the
// request's id and content, so that the store gives a repeated request its
// first answer.
func (s *Diary) writer(ctx context.Context, r writing) (Caller, error) {
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
	preview, _ := r.(interface{ GetValidateOnly() bool })
	if r.GetRequestId() == "" || preview != nil && preview.GetValidateOnly() {
		return caller, nil
	}
	content, err := proto.MarshalOptions{Deterministic: true}.Marshal(r)
	if err != nil {
		return Caller{}, err
	}
	caller.RequestID, caller.RequestHash = r.GetRequestId(), store.HashRequest(content)
	return caller, nil
}

// reading is the call without what belongs to a write.
func (c Caller) reading() store.Call {
	call := c.Call
	call.RequestID, call.RequestHash = "", [32]byte{}
	return call
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

func (c Caller) practice(field, name string) error {
	_, err := c.one(names.PracticePattern, field, name, vw.ErrorReason_ERROR_REASON_PRACTICE_NOT_FOUND)
	return err
}

func (c Caller) patient(field, name string) (string, error) {
	n, err := c.one(names.PatientPattern, field, name, vw.ErrorReason_ERROR_REASON_PATIENT_NOT_FOUND)
	return n.ID, err
}

func (c Caller) appointment(field, name string) (string, error) {
	n, err := c.one(names.AppointmentPattern, field, name, vw.ErrorReason_ERROR_REASON_APPOINTMENT_NOT_FOUND)
	return n.ID, err
}

// decides returns the override as it is kept, and refuses one that does not
// come from a clinician: reception asks, a clinician decides.
func (c Caller) decides(field string, o *vw.WindowOverride) (*store.Override, error) {
	if o == nil {
		return nil, nil
	}
	id := c.Clinician
	if name := o.GetClinician(); name != "" {
		n, err := c.one(names.ClinicianPattern, field+".clinician", name, vw.ErrorReason_ERROR_REASON_CLINICIAN_NOT_FOUND)
		if err != nil {
			return nil, err
		}
		if id != "" && id != n.ID {
			return nil, fault.Denied(vw.ErrorReason_ERROR_REASON_CLINICIAN_REQUIRED, field+": a clinician decides in their own name")
		}
		id = n.ID
	}
	if c.Role != store.RoleClinician {
		return nil, fault.Denied(vw.ErrorReason_ERROR_REASON_CLINICIAN_REQUIRED,
			"only a clinician may book outside a clinical window: ask one, who books it with the reason")
	}
	return &store.Override{Clinician: id, Reason: o.GetReason()}, nil
}
