package planner

import (
	"context"

	"github.com/visitwright/visitwright/planner/proposal"
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
		return nil, s.fault(err, caller, paths{"teeth": "plans"})
	}
	return sharedToProto(together, r.GetPlans()), nil
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
