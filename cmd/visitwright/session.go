package main

import (
	"context"
	"errors"
	"log/slog"
	"net"
	"os"
	"strings"

	"google.golang.org/grpc/test/bufconn"

	"github.com/visitwright/visitwright/clients/cli"
	client "github.com/visitwright/visitwright/clients/go"
	"github.com/visitwright/visitwright/cmd/visitwright/server"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store/access"
)

// opener makes the session of a command when the command first asks for it:
// to a running service, or to one inside this process.
type opener struct {
	ctx     context.Context
	where   *where
	world   world
	command string
	// rehearsal: nothing of the data folder is looked at.
	rehearsal bool

	closers []func() error
}

// close undoes what open did, the last first.
func (o *opener) close() error {
	var errs []error
	for i := len(o.closers) - 1; i >= 0; i-- {
		errs = append(errs, o.closers[i]())
	}
	o.closers = nil
	return errors.Join(errs...)
}

func (o *opener) open() (*cli.Session, error) {
	s := &cli.Session{Context: o.ctx, Out: o.world.out, Err: o.world.err, JSON: o.where.Output == "json", Now: o.world.now, Kept: true}
	asking := &secrets{ctx: o.ctx, in: o.world.in, err: o.world.err}
	s.Secret = asking.ask
	_, s.Typed = asking.terminal()
	options := client.Options{CA: o.where.CA, TLS: o.where.TLS}
	var kept access.Credentials
	var own *vw.PracticeSettings
	if o.where.Server == "" {
		// A plan asked for without a service leaves nothing behind. It is made with
		// the settings of the practice in the data folder, when there is one.
		if first, _, _ := strings.Cut(o.command, " "); first == "plan" || first == "version" {
			var err error
			if own, err = o.ownSettings(); err != nil {
				return nil, err
			}
			if err := o.nothingKept(); err != nil {
				return nil, err
			}
			s.Kept = false
		}
		h, dial, err := o.inProcess()
		if err != nil {
			return nil, err
		}
		kept, options.Dial = h.credentials, dial
	} else {
		if err := o.where.settle(); err != nil {
			return nil, err
		}
		var err error
		if kept, err = o.where.remembered(); err != nil {
			return nil, err
		}
	}
	if s.Kept {
		s.Rehearse = o.rehearse
	}
	practice, token, err := o.where.credentials(o.command, kept)
	if err != nil {
		return nil, err
	}
	if s.Kept {
		s.Folder = o.where.Data
	}
	options.Token = token
	s.Practice = practice
	if s.Client, err = client.Connect(o.where.Server, options); err != nil {
		return nil, err
	}
	o.closers = append(o.closers, s.Client.Close)
	if own != nil {
		if err := cli.UseSettings(s, own); err != nil {
			return nil, err
		}
	}
	return s, nil
}

// ownSettings reads the settings of the practice in the data folder; nil when
// there is none, and for a rehearsal, which has no data folder.
func (o *opener) ownSettings() (*vw.PracticeSettings, error) {
	if o.rehearsal {
		return nil, nil
	}
	if err := o.where.locate(); err != nil {
		return nil, err
	}
	kept, err := o.where.remembered()
	if err != nil || kept.Practice == "" {
		return nil, err
	}
	beside := &opener{ctx: o.ctx, where: &where{Data: o.where.Data, Database: o.where.Database, KeyFile: o.where.KeyFile}, world: o.world, command: "settings show"}
	s, err := beside.open()
	if err != nil {
		return nil, errors.Join(err, beside.close())
	}
	own, err := cli.Settings(s)
	return own, errors.Join(err, beside.close())
}

// nothingKept turns to a data folder that goes away when the session closes.
func (o *opener) nothingKept() error {
	folder, err := os.MkdirTemp("", "visitwright-")
	if err != nil {
		return err
	}
	o.closers = append(o.closers, func() error { return os.RemoveAll(folder) })
	o.where = &where{Data: folder, As: o.where.As, Output: o.where.Output}
	return nil
}

// rehearse opens a session beside this one that keeps nothing.
func (o *opener) rehearse() (*cli.Session, func() error, error) {
	beside := &opener{ctx: o.ctx, where: &where{}, world: o.world, command: "plan", rehearsal: true}
	s, err := beside.open()
	if err != nil {
		return nil, nil, errors.Join(err, beside.close())
	}
	return s, beside.close, nil
}

// inProcess starts the whole service behind a connection in memory.
func (o *opener) inProcess() (*house, func(context.Context) (net.Conn, error), error) {
	pipe := bufconn.Listen(256 << 10)
	h, err := openHouse(o.ctx, houseOptions{
		where: o.where, now: o.world.now, log: slog.New(slog.DiscardHandler), server: server.Options{Listener: pipe},
	})
	if err != nil {
		return nil, nil, err
	}
	o.closers = append(o.closers, h.close)
	return h, pipe.DialContext, nil
}
