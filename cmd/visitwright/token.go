package main

import (
	"cmp"
	"errors"
	"fmt"
	"log/slog"
	"slices"
	"time"

	"github.com/visitwright/visitwright/clients/cli"
	"github.com/visitwright/visitwright/store"
	"github.com/visitwright/visitwright/store/access"
)

// tokenCommand gives out tokens. It works on the database itself, since who
// has no token yet cannot ask the service for one.
type tokenCommand struct {
	Create tokenCreate `cmd:"" help:"Make a token and show it once."`
	List   tokenList   `cmd:"" default:"1" help:"List the tokens of the practice, without their secrets."`
	Revoke tokenRevoke `cmd:"" help:"End a token at once."`
}

type tokenCreate struct {
	Role      string        `arg:"" help:"reception, nurse, clinician, manager or integration." enum:"reception,nurse,clinician,manager,integration"`
	Label     string        `help:"What the practice calls it, for example \"front desk\"." placeholder:"TEXT"`
	Clinician string        `help:"Id of the clinician whom a clinician's token stands for." placeholder:"ID"`
	Expires   time.Duration `help:"How long it is in force, for example 2160h; without it until it is revoked." placeholder:"TIME"`
}

func (c *tokenCreate) Run(r *errand) error {
	return r.onStore(func(s *store.Store, call store.Call) error {
		text, record := access.Mint(call.Practice, store.Role(c.Role), c.Label)
		record.Clinician = c.Clinician
		if c.Expires < 0 {
			return fmt.Errorf("%w: --expires %v: want a time above 0", cli.ErrUsage, c.Expires)
		}
		if c.Expires > 0 {
			record.ExpireTime = r.world.now().Add(c.Expires)
		}
		if _, err := s.CreateToken(r.ctx, call, record); err != nil {
			return err
		}
		_, err := fmt.Fprintf(r.world.out, "%s\n", text)
		_, _ = fmt.Fprintln(r.world.err, "This is the only time that the token is shown.")
		return err
	})
}

type tokenList struct{}

func (c *tokenList) Run(r *errand) error {
	return r.onStore(func(s *store.Store, call store.Call) error {
		tokens, err := s.ListTokens(r.ctx, call)
		if err != nil {
			return err
		}
		slices.SortStableFunc(tokens, func(a, b store.Token) int {
			return cmp.Or(a.CreateTime.Compare(b.CreateTime), cmp.Compare(a.Role, b.Role))
		})
		page := cli.NewPage(r.world.out)
		var rows [][]string
		for _, t := range tokens {
			state := "in force"
			switch {
			case !t.RevokeTime.IsZero():
				state = "revoked"
			case !t.ExpireTime.IsZero() && !r.world.now().Before(t.ExpireTime):
				state = "expired"
			case !t.ExpireTime.IsZero():
				state = "until " + t.ExpireTime.Format(time.DateOnly)
			}
			rows = append(rows, []string{t.ID, string(t.Role), state, t.Clinician, t.Label})
		}
		page.Table([]string{"id", "role", "state", "stands for", "label"}, rows)
		return page.Close()
	})
}

type tokenRevoke struct {
	ID string `arg:"" help:"Id of the token, as the list shows it."`
}

func (c *tokenRevoke) Run(r *errand) error {
	return r.onStore(func(s *store.Store, call store.Call) error {
		if err := s.RevokeToken(r.ctx, call, c.ID); err != nil {
			return err
		}
		_, err := fmt.Fprintln(r.world.out, "Revoked.")
		return err
	})
}

// onStore opens the store for one command of whoever owns the database.
func (r *errand) onStore(do func(*store.Store, store.Call) error) error {
	if r.where.Server != "" {
		return fmt.Errorf("%w: tokens are made on the machine that has the database, not through --server", cli.ErrUsage)
	}
	s, kept, err := openStore(r.ctx, houseOptions{where: r.where, now: r.world.now, log: slog.New(slog.DiscardHandler)})
	if err != nil {
		return err
	}
	practice := r.where.Practice
	if practice == "" {
		practice = kept.Practice
	}
	if practice == "" {
		return errors.Join(errors.New("which practice? give --practice"), s.Close())
	}
	call := store.Call{Practice: practice, Actor: "owner", Role: store.RoleManager, Method: "token"}
	return errors.Join(do(s, call), s.Close())
}
