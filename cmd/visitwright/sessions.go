package main

import (
	"time"

	"github.com/visitwright/visitwright/cmd/visitwright/identity"
	"github.com/visitwright/visitwright/store"
)

// SessionFlags say how long people stay signed in.
type SessionFlags struct {
	Idle     time.Duration `name:"session-idle" help:"How long a session may lie unused, 2m or more." default:"15m" placeholder:"TIME"`
	Lifetime time.Duration `name:"session-life" help:"How long it lasts in any case." default:"12h" placeholder:"TIME"`
}

func newIdentity(s *store.Store, o houseOptions) (*identity.Service, error) {
	pageKey, err := o.where.pageKey()
	if err != nil {
		return nil, err
	}
	return identity.New(identity.Config{Store: s, PageKey: pageKey, Now: o.now, Lifetime: o.sessions.Lifetime, Idle: o.sessions.Idle})
}
