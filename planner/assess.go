package planner

import (
	"context"
	"errors"
	"fmt"

	"google.golang.org/protobuf/proto"

	"github.com/visitwright/visitwright/planner/anatomy"
	"github.com/visitwright/visitwright/planner/difficulty"
	"github.com/visitwright/visitwright/planner/proposal"
	"github.com/visitwright/visitwright/planner/tooth"
	"github.com/visitwright/visitwright/proto/fault"
	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// Assess turns findings into difficulty and a forecast of canals.
func (s *Service) Assess(ctx context.Context, r *vw.AssessRequest) (*vw.Assessment, error) {
	caller, err := s.writer(ctx, r)
	if err != nil {
		return nil, err
	}
	id, err := caller.caseID("parent", r.GetParent())
	if err != nil {
		return nil, err
	}
	if err := caller.mayOnlyPreview(r.GetValidateOnly(), "an assessment", store.RoleClinician, store.RoleNurse); err != nil {
		return nil, err
	}
	rec, err := s.read(ctx, caller, id)
	if err != nil {
		return nil, err
	}
	assessed, in, err := s.assess(caller, rec, r.GetFindings())
	if err != nil {
		return nil, s.fault(err, caller, inputPaths)
	}
	if r.GetValidateOnly() {
		if rec.kept.State == store.CaseClosed {
			return nil, fault.State(vw.ErrorReason_ERROR_REASON_CASE_CLOSED, r.GetParent(), "the case is closed: want an open case")
		}
		return assessed, nil
	}
	document, err := proto.MarshalOptions{Deterministic: true}.Marshal(assessed)
	if err != nil {
		return nil, err
	}
	wanted := store.NewAssessment{CaseID: id, Base: rec.kept.Assessment, Document: document, Diagnosis: &in.Diagnosis}
	if d := r.GetFindings().GetDiagnosis(); d != nil {
		terms, err := caseDocument(d, readCaseDocument(rec.kept.Document).GetTreatmentBegun().GetStop())
		if err != nil {
			return nil, err
		}
		wanted.CaseDocument = &terms
	}
	kept, err := s.store.SaveAssessment(ctx, caller.Call, wanted)
	switch {
	case errors.Is(err, store.ErrStaleEtag):
		return nil, between(r.GetParent(), "assessment").Because(err)
	case err != nil:
		return nil, s.fault(err, caller, inputPaths)
	}
	if kept.Version <= rec.kept.Assessment {
		// A repeated request: what was kept the first time is the answer.
		return s.assessment(ctx, caller, id, kept.Version)
	}
	return nameAssessment(assessed, caller.Practice, kept), nil
}

// assess computes without keeping.
func (s *Service) assess(caller Caller, rec record, f *vw.Findings) (*vw.Assessment, proposal.Input, error) {
	in, err := s.input(caller, rec, f)
	if err != nil {
		return nil, in, err
	}
	level, err := difficulty.AssessTooth(in.Clinic.Edition, in.Tooth, in.Answers)
	if err != nil {
		return nil, in, answersFault(err)
	}
	refer, err := level.ConsiderReferral(in.Clinic.Referral)
	if err != nil {
		return nil, in, err
	}
	var canals *vw.CanalForecast // none before the tooth is known
	if in.Tooth != 0 {
		belief, err := believe(in)
		if err != nil {
			return nil, in, err
		}
		if canals, err = forecastToProto(in.Tooth, belief); err != nil {
			return nil, in, err
		}
	} else if len(in.Evidence) > 0 || in.ExpectedCanals > 0 {
		return nil, in, fault.Invalid(vw.ErrorReason_ERROR_REASON_INVALID_FIELD, "findings.evidence", "no evidence of canals before the tooth is known")
	}
	// The edition is kept with its answers: the practice may take another later.
	kept := proto.CloneOf(f)
	kept.Edition = string(in.Clinic.Edition)
	return &vw.Assessment{Tooth: toothToProto(in.Tooth, rec.shown), Findings: kept, Difficulty: difficultyToProto(level, refer), Canals: canals, AssessedBy: actorToProto(caller)}, in, nil
}

// between says that somebody else kept something between reading and writing.
// The client brought no etag, so that it may simply try again.
func between(name, what string) *fault.Fault {
	return fault.Stale(vw.ErrorReason_ERROR_REASON_CONCURRENT_CHANGE, name, "another "+what+" was kept at the same moment: try again")
}

// sameTooth refuses what was found or planned for another tooth than the case
// is about now: the guard against the wrong tooth.
func sameTooth(rec store.Case, name string, t *vw.Tooth) error {
	if t.GetIso() == tooth.Code(rec.Tooth).String() {
		return nil
	}
	return fault.State(vw.ErrorReason_ERROR_REASON_REASSESSMENT_NEEDED, name, "the case is about another tooth now: want an assessment and a plan of that tooth")
}

// believe is the belief about the canals, with the clinician's own count of
// those to be found at access, as a plan takes it.
func believe(in proposal.Input) (anatomy.Belief, error) {
	b, err := anatomy.Believe(anatomy.Question{Kind: in.Tooth.Kind(), Shape: in.Shape, Evidence: in.Evidence, Prior: in.Clinic.CanalShares})
	if err != nil {
		return b, evidenceFault(err)
	}
	n := in.ExpectedCanals
	if n == 0 || n == b.Expected {
		return b, nil
	}
	if n >= len(b.P) {
		return b, fault.Invalid(vw.ErrorReason_ERROR_REASON_IMPOSSIBLE_CANAL_COUNT, "findings.expected_canals", fmt.Sprintf("1 to %d in this tooth", len(b.P)-1))
	}
	if b.Names, err = anatomy.Sequence(b.Kind, b.Shape, n, len(b.P)-1); err != nil {
		return b, evidenceFault(err)
	}
	b.Expected = n
	return b, nil
}

func nameAssessment(a *vw.Assessment, practice string, kept store.Assessment) *vw.Assessment {
	a.Name, a.Version, a.CreateTime = names.Assessment(practice, kept.CaseID, kept.Version), int64(kept.Version), instant(kept.CreateTime)
	return a
}
