package planner

import (
	"context"
	"errors"

	"github.com/visitwright/visitwright/planner/proposal"
	"github.com/visitwright/visitwright/planner/protocol"
	"github.com/visitwright/visitwright/proto/fault"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// GetSharedVisits computes the visits of several teeth of one patient treated
// together.
func (s *Service) GetSharedVisits(ctx context.Context, r *vw.GetSharedVisitsRequest) (*vw.SharedVisits, error) {
	caller, err := s.who(ctx)
	if err != nil {
		return nil, err
	}
	var parts []sheetPart
	var inputs []proposal.Input
	for i, name := range r.GetPlans() {
		at := index("plans", i)
		// The first visit of the recommended option stands for the whole plan.
		p, err := s.sheetPart(ctx, caller, at, &vw.VisitPart{Plan: name, Visit: 1}, nil)
		if err != nil {
			return nil, err
		}
		if p.rec.kept.PatientID != parts0(parts, p).rec.kept.PatientID {
			return nil, fault.State(vw.ErrorReason_ERROR_REASON_DIFFERENT_PATIENTS, p.plan.GetCase(), "teeth that share a visit belong to one patient")
		}
		for _, other := range parts {
			if other.plan.GetTooth().GetIso() == p.plan.GetTooth().GetIso() {
				return nil, fault.Invalid(vw.ErrorReason_ERROR_REASON_INVALID_FIELD, at, "each tooth once")
			}
		}
		parts, inputs = append(parts, p), append(inputs, p.part.Input)
	}
	if len(parts) < 2 {
		return nil, fault.Invalid(vw.ErrorReason_ERROR_REASON_INVALID_FIELD, "plans", "the plans of at least two teeth")
	}
	together, err := compute(ctx, s.computing, func() (proposal.Together, error) { return proposal.ProposeTogether(inputs) })
	if err != nil {
		return nil, s.fault(err, caller, fault.Paths{"teeth": "plans"})
	}
	return sharedToProto(together, r.GetPlans()), nil
}

// JointVisit computes one visit of several teeth as it is to be booked: one
// start of visit and one anaesthetic. It is what the diary asks for the length
// of such a visit; ok is false when the teeth cannot be planned together as
// they were, so that each keeps its own start.
func (s *Service) JointVisit(ctx context.Context, list []*vw.VisitPart) (out *vw.SharedVisit, ok bool, err error) {
	caller, err := s.who(ctx)
	if err != nil || len(list) < 2 {
		return nil, false, err
	}
	var inputs []proposal.Input
	var options []string
	var visits []int
	for i, p := range list {
		part, err := s.sheetPart(ctx, caller, index("parts", i), p, nil)
		if err != nil {
			return nil, false, err
		}
		inputs, options, visits = append(inputs, part.part.Input), append(options, part.part.Option), append(visits, part.part.Visit)
	}
	joint, err := compute(ctx, s.computing, func() (*proposal.SharedVisit, error) {
		together, err := proposal.ProposeTogether(inputs)
		if err != nil {
			return nil, err
		}
		v, can, err := together.Joint(options, visits, inputs[0])
		if !can {
			return nil, err
		}
		return &v, err
	})
	// Findings that have changed since the plan was kept may not be plannable
	// any more: what was accepted is booked all the same.
	var input *protocol.InputError
	if errors.As(err, &input) {
		return nil, false, nil
	}
	if err != nil || joint == nil {
		return nil, false, s.fault(err, caller, nil)
	}
	return &vw.SharedVisit{Number: int32(joint.Number), Parts: list, Teeth: joint.Teeth, AppointmentMinutes: int32(joint.Length),
		OnTime: oddsToProto(joint.OnTime), ChairMinutes: distToProto(joint.Minutes)}, true, nil
}

func sharedToProto(t proposal.Together, plans []string) *vw.SharedVisits {
	out := &vw.SharedVisits{Reasons: reasonsToProto(t.Reasons), Anaesthetic: anaestheticToProto(t.Anaesthetic)}
	for _, v := range t.Visits {
		visit := &vw.SharedVisit{Number: int32(v.Number), Teeth: v.Teeth, AppointmentMinutes: int32(v.Length), OnTime: oddsToProto(v.OnTime), ChairMinutes: distToProto(v.Minutes)}
		for _, label := range v.Teeth {
			for i, p := range t.Plans {
				if p.ToothLabel == label {
					visit.Parts = append(visit.Parts, &vw.VisitPart{Plan: plans[i], Option: p.Recommended, Visit: int32(v.Number)})
				}
			}
		}
		if v.Number > 1 {
			visit.Window = &vw.SharedWindow{EarliestDays: int32(v.Earliest), TargetDays: int32(v.Target), LatestDays: int32(v.Latest), NoCommonDay: v.NoDay}
		}
		out.Visits = append(out.Visits, visit)
	}
	return out
}
