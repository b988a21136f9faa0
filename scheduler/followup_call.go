package scheduler

import (
	"context"

	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/scheduler/followup"
	"github.com/visitwright/visitwright/store"
)

// callAdvice is what reception does, by what the patient complains of.
var callAdvice = map[followup.Complaint]string{
	followup.TemporaryLost: "Seal the tooth again within two days; until then keep it clean and do not chew on it. A clinician judges whether the dressing is renewed.",
	followup.Pain:          "See the patient at once: no minimum between visits holds in pain.",
	followup.Swelling:      "See the patient at once: no minimum between visits holds with swelling.",
	followup.CrownOff:      "Cover the tooth soon; a filling that lay open may have to be renewed. A clinician looks at it before anything is cemented.",
}

// ReportCall takes a call between visits.
func (f *FollowUps) ReportCall(ctx context.Context, r *vw.ReportCallRequest) (*vw.ReportCallResponse, error) {
	out := &vw.ReportCallResponse{}
	var err error
	if out.RaisedFlags, err = raised(r.GetAnswers()); err != nil {
		return nil, err
	}
	if len(out.GetRaisedFlags()) > 0 {
		caller, err := f.diary.who(ctx)
		if err != nil {
			return nil, err
		}
		if _, err := caller.One(names.CasePattern, "case", r.GetCase(), vw.ErrorReason_ERROR_REASON_CASE_NOT_FOUND); err != nil {
			return nil, err
		}
		x, err := f.diary.snapshot(ctx, caller.Reading())
		if err != nil {
			return nil, f.diary.fault(err, caller, nil)
		}
		out.UrgentInstruction = x.worked.instruction
		if out.GetUrgentInstruction() == "" {
			out.UrgentInstruction = noInstruction
		}
		if !r.GetInstructionAcknowledged() {
			out.Advice = []string{"Read out the urgent-care instruction first."}
			return out, nil
		}
	}
	kept, err := f.record(ctx, r, r.GetCase(), r.GetValidateOnly(), func(c store.Care, _ followup.Case, at surroundings) (followup.Event, error) {
		return followup.Event{Kind: followup.Called, On: at.zone.Date(c.Now), Complaint: followup.Complaint(r.GetComplaint())}, nil
	})
	if err != nil {
		return nil, err
	}
	out.FollowUps = kept.follow
	out.Advice = []string{callAdvice[followup.Complaint(r.GetComplaint())]}
	return out, nil
}
