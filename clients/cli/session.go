package cli

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"time"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	client "github.com/visitwright/visitwright/clients/go"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// Session is what a command works with: a client that speaks for one practice,
// and where the answer goes.
type Session struct {
	Context  context.Context
	Client   *client.Client
	Practice string // id of the practice
	Out      io.Writer
	JSON     bool   // the answer as JSON in place of text
	Folder   string // where a command may leave something for the next; empty means nowhere
	Kept     bool   // what is made stays: there is a running service or a database behind it
	Now      func() time.Time
	// Secret asks for a passphrase; nil where nobody can be asked. Typed says that
	// a person answers, at a terminal that does not show it.
	Secret func(question string) (string, error)
	Typed  bool
	Err    io.Writer // where what is no answer goes
	// Rehearse opens a session on a service of its own that keeps nothing. A
	// command that writes in several steps tries them there first, so that a
	// mistake in a later step does not leave the earlier ones behind. May be nil.
	Rehearse func() (rehearsal *Session, end func() error, err error)
}

// ErrUsage marks a mistake in how a command was called, rather than something
// that the service refused.
var ErrUsage = errors.New("usage")

func usage(format string, args ...any) error {
	return fmt.Errorf("%w: %s", ErrUsage, fmt.Sprintf(format, args...))
}

func (s *Session) planner() vw.PlannerServiceClient { return s.Client.Planner }

// parent is the practice's resource name.
func (s *Session) parent() string { return "practices/" + s.Practice }

// name completes a short id to a resource name of a collection; a full name
// stays as it is.
func (s *Session) name(collection, id string) string {
	if strings.HasPrefix(id, "practices/") {
		return id
	}
	return s.parent() + "/" + collection + "/" + strings.TrimPrefix(id, collection+"/")
}

// plan names a revision of a case, the newest when revision is 0.
func (s *Session) plan(caseID string, revision int64) (string, error) {
	name := s.name("cases", caseID)
	if revision > 0 {
		return fmt.Sprintf("%s/plans/%d", name, revision), nil
	}
	page, err := s.planner().ListPlanRevisions(s.Context, &vw.ListPlanRevisionsRequest{Parent: name, PageSize: 1})
	if err != nil {
		return "", err
	}
	if len(page.GetPlans()) == 0 {
		return "", fmt.Errorf("case %s has no plan yet: `visitwright propose %s` makes one", shortID(name), shortID(name))
	}
	return page.GetPlans()[0].GetName(), nil
}

// Show writes a message as JSON, or as the page that draw makes.
func (s *Session) Show(message proto.Message, draw func(p *Page)) error {
	if s.JSON {
		return writeJSON(s.Out, message)
	}
	page := NewPage(s.Out)
	draw(page)
	return page.Close()
}

// writeJSON writes the contract's own JSON form, fields as they are named in
// the contract. The order of fields is fixed, but not the spaces: protojson
// varies them on purpose.
func writeJSON(out io.Writer, message proto.Message) error {
	text, err := protojson.MarshalOptions{Multiline: true, UseProtoNames: true, EmitDefaultValues: true}.Marshal(message)
	if err != nil {
		return err
	}
	_, err = out.Write(append(text, '\n'))
	return err
}
