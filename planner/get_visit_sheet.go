package planner

import (
	"context"

	"github.com/visitwright/visitwright/planner/proposal"
	"github.com/visitwright/visitwright/planner/protocol"
	"github.com/visitwright/visitwright/proto/fault"
	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// sheetPart is one tooth's part of a sheet, with what it was read from.
type sheetPart struct {
	rec     record
	plan    *vw.Plan
	request *vw.VisitPart
	part    proposal.Part
}

// GetVisitSheet makes the page for nurse and clinician.
func (s *Service) GetVisitSheet(ctx context.Context, r *vw.GetVisitSheetRequest) (*vw.VisitSheet, error) {
	caller, err := s.who(ctx)
	if err != nil {
		return nil, err
	}
	if len(r.GetParts()) == 0 {
		return nil, fault.Invalid(vw.ErrorReason_ERROR_REASON_INVALID_FIELD, "parts", "the visit of at least one tooth")
	}
	var parts []sheetPart
	for i, p := range r.GetParts() {
		part, err := s.sheetPart(ctx, caller, index("parts", i), p, r.GetGiven())
		if err != nil {
			return nil, err
		}
		if part.rec.kept.PatientID != parts0(parts, part).rec.kept.PatientID {
			return nil, fault.State(vw.ErrorReason_ERROR_REASON_DIFFERENT_PATIENTS, part.plan.GetCase(), "the teeth of one visit belong to one patient")
		}
		parts = append(parts, part)
	}
	reasons, err := s.shareVisit(ctx, caller, parts)
	if err != nil {
		return nil, err
	}
	list := make([]proposal.Part, len(parts))
	for i, p := range parts {
		list[i] = p.part
	}
	sheet, err := compute(ctx, s.computing, func() (proposal.Sheet, error) { return proposal.VisitSheet(list) })
	if err != nil {
		return nil, s.fault(err, caller, inputPaths)
	}
	return sheetToProto(sheet, parts, reasons), nil
}

func parts0(parts []sheetPart, otherwise sheetPart) sheetPart {
	if len(parts) == 0 {
		return otherwise
	}
	return parts[0]
}

// sheetPart reads the plan that was kept and the patient as they are today:
// alerts and weight of the day count, figures of the plan do not change.
func (s *Service) sheetPart(ctx context.Context, caller Caller, at string, p *vw.VisitPart, given []*vw.GivenAnaesthetic) (sheetPart, error) {
	out := sheetPart{request: p}
	n, err := caller.One(names.PlanPattern, at+".plan", p.GetPlan(), vw.ErrorReason_ERROR_REASON_PLAN_NOT_FOUND)
	if err != nil {
		return out, err
	}
	if out.plan, err = s.plan(ctx, caller, n.ID, n.Number, vw.PlanView_PLAN_VIEW_FULL); err != nil {
		return out, err
	}
	if out.rec, err = s.read(ctx, caller, n.ID); err != nil {
		return out, err
	}
	if err := sameTooth(out.rec.kept, out.plan.GetName(), out.plan.GetTooth()); err != nil {
		return out, err
	}
	option := p.GetOption()
	if option == "" {
		option = out.plan.GetAccepted().GetOption()
	}
	if option == "" {
		option = out.plan.GetRecommendedOption()
	}
	if err := visitOf(out.plan, option, int(p.GetVisit()), at); err != nil {
		return out, err
	}
	in, err := s.input(caller, out.rec, out.plan.GetAssessment().GetFindings())
	if err != nil {
		return out, s.fault(err, caller, inputPaths)
	}
	in.Protocol = out.plan.GetProtocol()
	in.Clinic.Anaesthetic = anaestheticFromProto(out.rec.settings, given)
	for i, g := range given {
		if err := checkSolution(in.Clinic.Anaesthetic.Profile, g.GetSolution(), in.Clinic.Anaesthetic.CartridgeML, index("given", i)+".solution"); err != nil {
			return out, err
		}
	}
	out.part = proposal.Part{Input: in, Plan: planFromProto(out.plan), Option: option, Visit: int(p.GetVisit()), Consent: proposal.Consent{
		Given: out.plan.GetAccepted().GetConsent() != nil, Option: out.plan.GetAccepted().GetOption()}}
	return out, nil
}

// visitOf refuses an option or a visit that the plan does not have.
func visitOf(p *vw.Plan, option string, visit int, at string) error {
	for _, o := range p.GetOptions() {
		if o.GetId() != option {
			continue
		}
		if !o.GetFeasible() {
			return fault.State(vw.ErrorReason_ERROR_REASON_OPTION_INFEASIBLE, p.GetName(), "the option cannot be done: want one that is feasible")
		}
		if visit < 1 || visit > len(o.GetVisits()) {
			f := fault.NotFound(vw.ErrorReason_ERROR_REASON_VISIT_NOT_FOUND, p.GetName())
			f.Fields = []fault.Field{{Path: at + ".visit", Want: "1 to " + whole(int32(len(o.GetVisits())))}}
			return f
		}
		return nil
	}
	f := fault.NotFound(vw.ErrorReason_ERROR_REASON_OPTION_NOT_FOUND, p.GetName())
	f.Fields = []fault.Field{{Path: at + ".option", Want: "the id of an option of this plan"}}
	return f
}

// shareVisit makes one start of visit for all teeth: those after the first are
// planned as teeth that share a visit. It returns what speaks against treating
// them together.
func (s *Service) shareVisit(ctx context.Context, caller Caller, parts []sheetPart) ([]proposal.Reason, error) {
	if len(parts) < 2 {
		return nil, nil
	}
	var inputs []proposal.Input
	for _, p := range parts {
		inputs = append(inputs, p.part.Input)
	}
	together, err := compute(ctx, s.computing, func() (proposal.Together, error) { return proposal.ProposeTogether(inputs) })
	if err != nil {
		return nil, s.fault(err, caller, fault.Paths{"teeth": "parts"})
	}
	for i := range parts[1:] {
		p := &parts[i+1].part
		shared, ok := together.Plans[i+1].Option(p.Option)
		if !ok || !shared.Feasible || p.Visit > len(shared.Visits) {
			return nil, s.fault(&protocol.InputError{Field: index("parts", i+1), Want: "an option and a visit that can share its start with another tooth"}, caller, nil)
		}
		p.Input.SharesVisit = true
		p.Plan = together.Plans[i+1]
	}
	return together.Reasons, nil
}
