package planner

import (
	"context"

	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// GetPracticeSettings reads the settings, with defaults where the practice has
// set nothing.
func (s *Service) GetPracticeSettings(ctx context.Context, r *vw.GetPracticeSettingsRequest) (*vw.PracticeSettings, error) {
	caller, err := s.who(ctx)
	if err != nil {
		return nil, err
	}
	if _, err := caller.One(names.SettingsPattern, "name", r.GetName(), vw.ErrorReason_ERROR_REASON_PRACTICE_NOT_FOUND); err != nil {
		return nil, err
	}
	settings, err := s.settings(ctx, caller)
	return settings, s.fault(err, caller, nil)
}

// settings are the caller's practice's, defaults filled in.
func (s *Service) settings(ctx context.Context, caller Caller) (*vw.PracticeSettings, error) {
	p, err := s.store.GetPractice(ctx, caller.Reading())
	if err != nil {
		return nil, err
	}
	s.notation.learn(p, s.now())
	out, err := settingsToProto(p)
	if err != nil {
		return nil, err
	}
	return out, withDefaults(out)
}
