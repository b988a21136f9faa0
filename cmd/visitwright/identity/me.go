package identity

import (
	"context"

	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

var notations = map[string]vw.ToothNotation{
	"iso": vw.ToothNotation_TOOTH_NOTATION_ISO, "universal": vw.ToothNotation_TOOTH_NOTATION_UNIVERSAL, "quadrant": vw.ToothNotation_TOOTH_NOTATION_QUADRANT,
}

// GetMe tells who asks.
func (s *Service) GetMe(ctx context.Context, _ *vw.GetMeRequest) (*vw.Me, error) {
	c, err := known(ctx)
	if err != nil {
		return nil, err
	}
	practice, err := s.store.GetPractice(ctx, c.call)
	if err != nil {
		return nil, told(err, c.Practice)
	}
	me := &vw.Me{Subject: c.Subject(), Role: rolesToProto[c.Role], Practice: names.Practice(c.Practice), PracticeTitle: practice.Name,
		Zone: practice.Zone, Notation: notations[practice.Notation], ServerTime: timestamppb.New(s.now())}
	if s.shown != nil {
		settings, err := s.shown(practice)
		if err != nil {
			return nil, err
		}
		me.WeekStart, me.DateOrder = settings.GetWeekStart(), settings.GetDateOrder()
	}
	if c.Clinician != "" {
		me.Clinician = names.Clinician(c.Practice, c.Clinician)
	}
	if c.Person == "" {
		token, _, err := s.store.FindToken(ctx, c.Practice, c.Token)
		if err != nil {
			return nil, told(err, c.Practice)
		}
		me.DisplayName = token.Label
		if !token.ExpireTime.IsZero() {
			me.ExpireTime = timestamppb.New(token.ExpireTime)
		}
		return me, nil
	}
	session, _, err := s.sessionOf(ctx, c)
	if err != nil {
		return nil, err
	}
	me.Person, me.DisplayName = names.Person(c.Practice, c.Person), session.Person.DisplayName
	me.ExpireTime, me.IdleLimit = timestamppb.New(session.ExpireTime), durationpb.New(session.Idle)
	return me, nil
}
