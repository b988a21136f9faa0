package main

import (
	"fmt"
	"time"

	"github.com/visitwright/visitwright/clients/cli"
	"github.com/visitwright/visitwright/cmd/visitwright/identity"
	"github.com/visitwright/visitwright/planner"
	"github.com/visitwright/visitwright/store"
	"github.com/visitwright/visitwright/store/access"
)

// SessionFlags say how long people stay signed in.
type SessionFlags struct {
	Idle     time.Duration `name:"session-idle" help:"How long a session may lie unused, 2m or more." default:"15m" placeholder:"TIME"`
	Lifetime time.Duration `name:"session-life" help:"How long it lasts in any case." default:"12h" placeholder:"TIME"`
}

// check refuses what identity.New would refuse, before a database is made.
func (f SessionFlags) check() error {
	if f.Idle < identity.ShortestIdle || f.Lifetime < f.Idle {
		return fmt.Errorf("%w: --session-idle %v, --session-life %v: want an idle limit of %v or more, and a life that is not shorter",
			cli.ErrUsage, f.Idle, f.Lifetime, identity.ShortestIdle)
	}
	return nil
}

// passphraseWork is what one passphrase costs; the zero value means the usual
// cost. Only tests change it: they sign in hundreds of times.
var passphraseWork access.Work

func newIdentity(s *store.Store, o houseOptions) (*identity.Service, error) {
	pageKey, err := o.where.pageKey()
	if err != nil {
		return nil, err
	}
	return identity.New(identity.Config{Store: s, PageKey: pageKey, Now: o.now, Shown: planner.Shown, Work: passphraseWork, Lifetime: o.sessions.Lifetime, Idle: o.sessions.Idle})
}
