package planner

import (
	"time"

	"github.com/visitwright/visitwright/proto/fault"
	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// consentForms are how a consent can be given.
var consentForms = []struct{ id, title string }{
	{"written", "signed on paper or screen"},
	{"spoken", "spoken, and noted in the record"},
}

var giversToProto = map[string]vw.Consent_Giver{
	"patient":  vw.Consent_GIVER_PATIENT,
	"guardian": vw.Consent_GIVER_GUARDIAN,
}

// clockTolerance is how far ahead a client's clock may be.
const clockTolerance = 5 * time.Minute

// consentFromProto reads a consent; none is not given.
func consentFromProto(c *vw.Consent, now time.Time) (store.Consent, error) {
	if c == nil {
		return store.Consent{}, nil
	}
	known := false
	for _, f := range consentForms {
		known = known || f.id == c.GetForm()
	}
	switch {
	case !known:
		return store.Consent{}, unknownID("consent.form", "consent-forms")
	case c.GetAgreeTime() == nil || !c.GetAgreeTime().IsValid():
		return store.Consent{}, fault.Invalid(vw.ErrorReason_ERROR_REASON_INVALID_FIELD, "consent.agree_time", "when the patient agreed")
	case c.GetAgreeTime().AsTime().After(now.Add(clockTolerance)):
		return store.Consent{}, fault.Invalid(vw.ErrorReason_ERROR_REASON_INVALID_FIELD, "consent.agree_time", "a time that is not in the future")
	}
	return store.Consent{Given: true, By: inverse(giversToProto, c.GetGiver()), Form: c.GetForm(), Time: c.GetAgreeTime().AsTime(), Note: c.GetNote()}, nil
}

func consentToProto(c store.Consent) *vw.Consent {
	if !c.Given {
		return nil
	}
	return &vw.Consent{Giver: giversToProto[c.By], Form: c.Form, AgreeTime: instant(c.Time), Note: c.Note}
}

func acceptanceToProto(practice string, a *store.Acceptance) *vw.AcceptedOption {
	if a == nil {
		return nil
	}
	out := &vw.AcceptedOption{
		Plan: names.Plan(practice, a.CaseID, a.Revision), Option: a.Option, AcceptTime: instant(a.CreateTime), Consent: consentToProto(a.Consent), OverrideReason: a.Against,
		// Only a clinician accepts: the method table and the handler see to it.
		AcceptedBy: &vw.Actor{Subject: a.Actor, Role: vw.Role_ROLE_CLINICIAN},
	}
	if a.Clinician != "" {
		out.Clinician = names.Clinician(practice, a.Clinician)
	}
	return out
}
