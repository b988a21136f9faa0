package main

import (
	"errors"

	"github.com/visitwright/visitwright/clients/feed"
	client "github.com/visitwright/visitwright/clients/go"
	"github.com/visitwright/visitwright/cmd/visitwright/server"
)

// feedServer serves calendar feeds over HTTP, as a client of the service in
// this process.
type feedServer struct {
	client *client.Client
	web    *server.Web
}

func openFeed(h *house, o server.WebOptions) (*feedServer, error) {
	c, err := client.Connect("", client.Options{Dial: h.server.Inside()})
	if err != nil {
		return nil, err
	}
	o.Handler, o.WriteTimeout = feed.Handler(c.Diary), server.WebAnswer
	web, err := server.StartWeb(o)
	if err != nil {
		return nil, errors.Join(err, c.Close())
	}
	return &feedServer{c, web}, nil
}

func (f *feedServer) close() error {
	if f == nil {
		return nil
	}
	return errors.Join(f.web.Stop(), f.client.Close())
}

// failed receives the reason when the feeds stop by themselves; nil blocks.
func (f *feedServer) failed() <-chan error {
	if f == nil {
		return nil
	}
	return f.web.Failed()
}
