package main

import (
	"context"
	"strings"
	"testing"
	"time"

	client "github.com/visitwright/visitwright/clients/go"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// gateway is a receiver that shows a text once for one message name.
type gateway map[string]string

func (g gateway) send(l *vw.Letter) {
	g[l.GetMessage()] = l.GetAddress() + ": " + l.GetSubject()
}

// itsDesk is for whom the gateway works: an integration names the person it acts for.
const itsDesk = "front-desk"

// carry is how an integration sends a practice's messages with the Go client:
// claim, collect, send, acknowledge. It ends when nothing more is due.
func carry(ctx context.Context, c *client.Client, practice string, g gateway) error {
	ctx, end := context.WithTimeout(ctx, time.Minute)
	defer end()
	claims, err := c.FollowUp.ClaimMessages(ctx, &vw.ClaimMessagesRequest{Parent: practice, RequestId: "5a7a1c8e-3d0b-4b9c-8a3e-6f1d2c3b4a59", OnBehalfOf: itsDesk})
	if err != nil {
		return err
	}
	for {
		got, err := claims.Recv()
		if err != nil {
			return err
		}
		claim := got.GetClaim()
		if claim == nil {
			if got.GetCaughtUp() {
				return nil
			}
			continue
		}
		letter, err := c.FollowUp.CollectLetter(ctx, &vw.CollectLetterRequest{Name: claim.GetMessage(), Attempt: claim.GetAttempt(), OnBehalfOf: itsDesk})
		switch client.ReasonOf(err) {
		case "":
		case "MESSAGE_WITHDRAWN", "MESSAGE_CLAIM_LOST": // cancelled meanwhile, or somebody else's now
			continue
		default:
			return err
		}
		g.send(letter)
		if _, err := c.FollowUp.AcknowledgeMessage(ctx, &vw.AcknowledgeMessageRequest{Name: claim.GetMessage(), Attempt: claim.GetAttempt(), OnBehalfOf: itsDesk}); err != nil {
			return err
		}
	}
}

func TestAnIntegrationSendsThePracticesMessagesWithTheGoClient(t *testing.T) {
	h := newHome(t)
	id := h.furnish()
	h.must("patient", "change", "INVENTED-0046", "--address", "patient@mail.example")
	h.must("message", "policy", "--on", "--carrier", "integration", "--quiet", "00:00-00:00", "--telephone", "01632 960000")
	h.must("message", "wishes", "INVENTED-0046", "--channel", "email", "--consented", "2026-01-02")
	token := strings.TrimSpace(h.must("token", "create", "integration", "--label", "a gateway"))
	h.must("offers", id)
	h.must("book", "1")
	s := h.serve()
	// What a booking owes is known once the sweep has seen it, or somebody asks.
	h.must("due", "--server", s.address)
	c, err := client.Connect(s.address, client.Options{Token: token})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = c.Close() })
	_, practice := h.connect(s, store.RoleManager)
	g := gateway{}
	if err := carry(t.Context(), c, practice, g); err != nil {
		t.Fatal(err)
	}
	if len(g) != 1 {
		t.Errorf("sent: %v", g)
	}
	for _, text := range g {
		if !strings.HasPrefix(text, "patient@mail.example: Your appointment on ") {
			t.Errorf("sent %s", text)
		}
	}
	if out := h.must("message", "list", "--state", "sent", "--server", s.address); !strings.Contains(out, "confirmation, sent, 1 attempt") {
		t.Errorf("kept:\n%s", out)
	}
}
