package planner

import (
	"context"
	"errors"
	"fmt"

	"google.golang.org/protobuf/proto"

	"github.com/visitwright/visitwright/proto/fault"
	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// GetAssessment reads an assessment.
func (s *Service) GetAssessment(ctx context.Context, r *vw.GetAssessmentRequest) (*vw.Assessment, error) {
	caller, err := s.who(ctx)
	if err != nil {
		return nil, err
	}
	n, err := caller.One(names.AssessmentPattern, "name", r.GetName(), vw.ErrorReason_ERROR_REASON_ASSESSMENT_NOT_FOUND)
	if err != nil {
		return nil, err
	}
	return s.assessment(ctx, caller, n.ID, n.Number)
}

// assessment reads one version; 0 is the newest.
func (s *Service) assessment(ctx context.Context, caller Caller, caseID string, version int) (*vw.Assessment, error) {
	kept, err := s.store.GetAssessment(ctx, caller.Reading(), caseID, version)
	if errors.Is(err, store.ErrNotFound) {
		if version == 0 {
			return nil, fault.State(vw.ErrorReason_ERROR_REASON_ASSESSMENT_MISSING, names.Case(caller.Practice, caseID), "the case has no assessment yet: Assess comes first").Because(err)
		}
		return nil, fault.NotFound(vw.ErrorReason_ERROR_REASON_ASSESSMENT_NOT_FOUND, names.Assessment(caller.Practice, caseID, version)).Because(err)
	}
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	return readAssessment(caller.Practice, kept)
}

func readAssessment(practice string, kept store.Assessment) (*vw.Assessment, error) {
	a := &vw.Assessment{}
	if err := proto.Unmarshal(kept.Document, a); err != nil {
		return nil, fmt.Errorf("assessment document: %w", err)
	}
	return nameAssessment(a, practice, kept), nil
}
