package scheduler

import (
	"context"
	"fmt"
	"strings"

	"github.com/visitwright/visitwright/proto/fault"
	"github.com/visitwright/visitwright/proto/names"
	"github.com/visitwright/visitwright/proto/requests"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// who returns the caller of a request that reads.
func (s *Diary) who(ctx context.Context) (Caller, error) {
	caller, ok := s.caller(ctx)
	if !ok || caller.Practice == "" {
		return Caller{}, fmt.Errorf("scheduler: %w", requests.ErrNoCaller)
	}
	return Caller{caller}, nil
}

// reader returns the caller of a request that reads something of a practice.
func (s *Diary) reader(ctx context.Context, parent string) (Caller, error) {
	caller, err := s.who(ctx)
	if err == nil {
		err = caller.Within("parent", parent)
	}
	return caller, err
}

// writer returns the caller of a request that changes something, with the
// request's id and content, so that the store gives a repeated request its
// first answer.
func (s *Diary) writer(ctx context.Context, r requests.Writing) (Caller, error) {
	caller, err := s.who(ctx)
	if err != nil {
		return Caller{}, err
	}
	caller.Caller, err = caller.Write(r)
	return caller, err
}

func (c Caller) patient(field, name string) (string, error) {
	n, err := c.One(names.PatientPattern, field, name, vw.ErrorReason_ERROR_REASON_PATIENT_NOT_FOUND)
	return n.ID, err
}

func (c Caller) appointment(field, name string) (string, error) {
	n, err := c.One(names.AppointmentPattern, field, name, vw.ErrorReason_ERROR_REASON_APPOINTMENT_NOT_FOUND)
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
		n, err := c.One(names.ClinicianPattern, field+".clinician", name, vw.ErrorReason_ERROR_REASON_CLINICIAN_NOT_FOUND)
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
	reason := strings.TrimSpace(o.GetReason())
	if reason == "" {
		return nil, invalidField(field+".reason", "why the window is overridden")
	}
	return &store.Override{Clinician: id, Reason: reason}, nil
}
