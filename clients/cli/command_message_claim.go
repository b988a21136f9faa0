package cli

import (
	"errors"
	"fmt"
	"io"
	"time"

	"github.com/google/uuid"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// MessageClaim claims messages that are due.
type MessageClaim struct {
	Most   int32         `help:"Most claims in hand at once, 1 to 200." default:"20" placeholder:"N"`
	Lease  time.Duration `help:"How long a claim holds, 30s to 15m." default:"2m" placeholder:"TIME"`
	Client string        `help:"UUID of this client: the same again first shows what it still has in hand." placeholder:"UUID"`
	Follow bool          `help:"Stay, and write each further claim as it falls due."`
}

// Run writes a line for each claim. Without --follow it ends when nothing more
// is due, or when the hands are full.
func (c *MessageClaim) Run(s *Session) error {
	if c.Lease < 30*time.Second || c.Lease > 15*time.Minute {
		return usage("--lease %v: want 30s to 15m", c.Lease)
	}
	id := c.Client
	if id == "" {
		id = uuid.NewString()
	}
	stream, err := s.Client.FollowUp.ClaimMessages(s.Context, &vw.ClaimMessagesRequest{
		Parent: s.parent(), MostInHand: c.Most, LeaseSeconds: int32(c.Lease / time.Second), RequestId: id})
	if err != nil {
		return err
	}
	seen := 0
	for {
		got, err := stream.Recv()
		switch {
		case err != nil:
			return unlessOver(s, err)
		case got.GetClaim() == nil && c.Follow:
			continue
		}
		if got.GetClaim() == nil {
			return c.end(s, got, seen, id)
		}
		seen++
		if s.JSON {
			if err := writeJSON(s.Out, got); err != nil {
				return err
			}
			continue
		}
		m := got.GetClaim()
		if _, err := fmt.Fprintf(s.Out, "%s  attempt %d  until %s UTC  %s\n", shortID(m.GetMessage()), m.GetAttempt(), m.GetLeaseEndTime().AsTime().Format("15:04:05"), words(m.GetKind(), "")); err != nil {
			return err
		}
	}
}

// unlessOver is an error of a stream that neither side has ended.
func unlessOver(s *Session, err error) error {
	if s.Context.Err() == nil && !errors.Is(err, io.EOF) {
		return err
	}
	return nil
}

func (c *MessageClaim) end(s *Session, got *vw.ClaimMessagesResponse, seen int, id string) error {
	if s.JSON {
		return nil
	}
	text := "Nothing more is due.\n"
	switch {
	case seen == 0 && got.GetCaughtUp():
		text = "Nothing is due.\n"
	case !got.GetCaughtUp():
		text = "More is due: say what became of these first.\n"
	}
	if seen > 0 {
		text += "Collect each with `visitwright message letter ID ATTEMPT`; this client is --client " + id + "\n"
	}
	_, err := io.WriteString(s.Out, text)
	return err
}

// MessageLetter collects a letter.
type MessageLetter struct {
	Message string `arg:"" help:"Id of the message."`
	Attempt int32  `arg:"" help:"Attempt number of the claim."`
}

// Run writes the letter.
func (c *MessageLetter) Run(s *Session) error {
	l, err := s.Client.FollowUp.CollectLetter(s.Context, &vw.CollectLetterRequest{Name: s.name("messages", c.Message), Attempt: c.Attempt})
	if err != nil {
		return err
	}
	if s.JSON {
		return writeJSON(s.Out, l)
	}
	_, err = fmt.Fprintf(s.Out, "by %s to %s\nsay what became of it until %s UTC\n\n%s\n\n%s\n", l.GetChannel(), l.GetAddress(),
		l.GetLeaseEndTime().AsTime().Format("15:04:05"), l.GetSubject(), l.GetBody())
	return err
}

// MessageSent acknowledges a letter.
type MessageSent struct {
	Message string `arg:"" help:"Id of the message."`
	Attempt int32  `arg:"" help:"Attempt number of the claim."`
}

// Run acknowledges the letter.
func (c *MessageSent) Run(s *Session) error {
	m, err := s.Client.FollowUp.AcknowledgeMessage(s.Context, &vw.AcknowledgeMessageRequest{Name: s.name("messages", c.Message), Attempt: c.Attempt})
	if err != nil {
		return err
	}
	return s.Show(m, func(p *Page) { showMessages(p, []*vw.Message{m}, "") })
}

// MessageFail gives a message back.
type MessageFail struct {
	Message string `arg:"" help:"Id of the message."`
	Attempt int32  `arg:"" help:"Attempt number of the claim."`
	Outcome string `arg:"" help:"temporary (try again), permanent (never again), or uncertain (it may have arrived)." enum:"temporary,permanent,uncertain"`
	Code    int32  `help:"The gateway's own code." placeholder:"N"`
}

// Run gives the message back.
func (c *MessageFail) Run(s *Session) error {
	m, err := s.Client.FollowUp.FailMessage(s.Context, &vw.FailMessageRequest{Name: s.name("messages", c.Message), Attempt: c.Attempt, Outcome: c.Outcome, Code: c.Code})
	if err != nil {
		return err
	}
	return s.Show(m, func(p *Page) { showMessages(p, []*vw.Message{m}, "") })
}
