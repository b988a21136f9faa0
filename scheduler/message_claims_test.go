package scheduler_test

import (
	"context"
	"net"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/test/bufconn"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/scheduler"
	"github.com/visitwright/visitwright/store"
)

// served is the follow-up service behind gRPC.
func (x *follows) served(f *scheduler.FollowUps) vw.FollowUpServiceClient {
	x.Helper()
	g := grpc.NewServer(grpc.UnaryInterceptor(unary), grpc.StreamInterceptor(stream), grpc.WaitForHandlers(true))
	f.Register(g)
	pipe := bufconn.Listen(1 << 20)
	done := make(chan error, 1)
	go func() { done <- g.Serve(pipe) }()
	conn, err := grpc.NewClient("passthrough:///followups", grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return pipe.DialContext(ctx) }))
	x.must(err)
	x.Cleanup(func() {
		_ = conn.Close()
		g.Stop()
		if err := <-done; err != nil {
			x.Error(err)
		}
	})
	return vw.NewFollowUpServiceClient(conn)
}

// carriedOutside makes an integration send the practice's messages.
func (x *follows) carriedOutside() {
	x.Helper()
	x.writes()
	p, err := x.f.GetMessagePolicy(x.in(), &vw.GetMessagePolicyRequest{Name: "practices/" + willow + "/messagePolicy"})
	x.must(err)
	p.Carrier = "integration"
	_, err = x.f.UpdateMessagePolicy(x.in(), &vw.UpdateMessagePolicyRequest{Policy: p})
	x.must(err)
}

func asIntegration(ctx context.Context) context.Context {
	return metadata.AppendToOutgoingContext(ctx, "role", string(store.RoleIntegration))
}

// claimed is what one client is told until it is told of nothing more.
func (x *follows) claimed(c vw.FollowUpServiceClient, r *vw.ClaimMessagesRequest) (list []*vw.MessageClaim, caughtUp bool) {
	x.Helper()
	ctx, end := context.WithTimeout(asIntegration(x.Context()), 20*time.Second)
	defer end()
	r.Parent = "practices/" + willow
	s, err := c.ClaimMessages(ctx, r)
	x.must(err)
	for {
		got, err := s.Recv()
		x.must(err)
		if got.GetClaim() == nil {
			return list, got.GetCaughtUp()
		}
		list = append(list, got.GetClaim())
	}
}

func (x *follows) collect(c vw.FollowUpServiceClient, m *vw.MessageClaim) (*vw.Letter, error) {
	return c.CollectLetter(asIntegration(x.Context()), &vw.CollectLetterRequest{Name: m.GetMessage(), Attempt: m.GetAttempt()})
}

func (x *follows) acknowledge(c vw.FollowUpServiceClient, m *vw.MessageClaim) error {
	_, err := c.AcknowledgeMessage(asIntegration(x.Context()), &vw.AcknowledgeMessageRequest{Name: m.GetMessage(), Attempt: m.GetAttempt()})
	return err
}

// booking makes an appointment whose confirmation is due at once.
func (x *follows) booking() *vw.Booking {
	x.Helper()
	b, err := x.byHand(x.Context(), x.patient, "2026-01-15 09:00", 60)
	x.must(err)
	_, err = x.f.Refresh(x.Context(), "")
	x.must(err)
	return b
}

const one, two = "7f3a2c1e-0b52-4d0b-9d0a-3f6a1c2b4d5e", "0c9d8e7f-6a5b-4c3d-8e2f-1a0b9c8d7e6f"

func onBothStores(t *testing.T, test func(*testing.T, bool)) {
	for _, postgres := range []bool{false, true} {
		t.Run(map[bool]string{false: "SQLite", true: "PostgreSQL"}[postgres], func(t *testing.T) { test(t, postgres) })
	}
}

func TestAnIntegrationClaimsCollectsAndAcknowledges(t *testing.T) {
	onBothStores(t, func(t *testing.T, postgres bool) {
		x := newFollows(t, options{postgres: postgres})
		c := x.served(x.f)
		s, err := c.ClaimMessages(asIntegration(t.Context()), &vw.ClaimMessagesRequest{Parent: "practices/" + willow})
		x.must(err)
		_, err = s.Recv()
		x.want(err, codes.FailedPrecondition, "MESSAGES_SENT_BY_HOUSE")
		x.carriedOutside()
		x.booking()
		if _, err := x.sender.Send(t.Context(), 100); err != nil || len(x.post.take()) != 0 {
			t.Fatalf("this server sent what the integration sends: %v", err)
		}
		list, caughtUp := x.claimed(c, &vw.ClaimMessagesRequest{RequestId: one})
		if len(list) != 1 || !caughtUp || list[0].GetKind() != "confirmation" || list[0].GetAttempt() != 1 {
			t.Fatalf("claims: %v, caught up %v", list, caughtUp)
		}
		if err := x.acknowledge(c, list[0]); reason(err) != "MESSAGE_CLAIM_LOST" {
			t.Errorf("acknowledged before it was collected: %v", err)
		}
		letter, err := x.collect(c, list[0])
		x.must(err)
		if letter.GetAddress() != x.patientID+"@mail.example" || letter.GetChannel() != "email" || letter.GetBody() == "" {
			t.Errorf("letter %v", letter)
		}
		again, err := x.collect(c, list[0]) // the first answer was lost
		x.must(err)
		if again.GetBody() != letter.GetBody() {
			t.Errorf("collected twice: %v", again)
		}
		x.must(x.acknowledge(c, list[0]))
		x.must(x.acknowledge(c, list[0]))
		if got := x.messages("sent"); len(got) != 1 || got[0].GetSendTime() == nil || got[0].GetChannel() != "email" {
			t.Errorf("kept: %v", got)
		}
		if list, _ := x.claimed(c, &vw.ClaimMessagesRequest{RequestId: one}); len(list) != 0 {
			t.Errorf("sent, and claimed again: %v", list)
		}
	})
}

func TestTwoClientsNeverHoldOneMessageAndALostLeaseFences(t *testing.T) {
	onBothStores(t, func(t *testing.T, postgres bool) {
		x := newFollows(t, options{postgres: postgres})
		x.carriedOutside()
		x.booking()
		c, d := x.served(x.f), x.served(x.service(x.start()))
		first, _ := x.claimed(c, &vw.ClaimMessagesRequest{RequestId: one})
		if list, _ := x.claimed(d, &vw.ClaimMessagesRequest{RequestId: two}); len(first) != 1 || len(list) != 0 {
			t.Fatalf("first %v, second %v", first, list)
		}
		if list, _ := x.claimed(d, &vw.ClaimMessagesRequest{RequestId: one}); len(list) != 1 || list[0].GetAttempt() != 1 {
			t.Errorf("the same client on another replica still has its claim in hand: %v", list)
		}
		_, err := x.collect(c, first[0])
		x.must(err)
		x.clock.Advance(3 * time.Minute) // the lease is over
		second, _ := x.claimed(d, &vw.ClaimMessagesRequest{RequestId: two})
		if len(second) != 1 || second[0].GetAttempt() != 2 || second[0].GetMessage() != first[0].GetMessage() {
			t.Fatalf("after the lease: %v", second)
		}
		_, err = x.collect(c, first[0])
		x.want(err, codes.Aborted, "MESSAGE_CLAIM_LOST")
		x.want(x.acknowledge(c, first[0]), codes.Aborted, "MESSAGE_CLAIM_LOST")
		_, err = c.FailMessage(asIntegration(t.Context()), &vw.FailMessageRequest{Name: first[0].GetMessage(), Attempt: 1, Outcome: "permanent"})
		x.want(err, codes.Aborted, "MESSAGE_CLAIM_LOST")
		_, err = x.collect(d, second[0])
		x.must(err)
		x.must(x.acknowledge(d, second[0]))
	})
}

// A queue that asked for time is not sent the same letter a second time while
// it works through what it collected.
func TestCollectingCutsNoLeaseShort(t *testing.T) {
	onBothStores(t, func(t *testing.T, postgres bool) {
		x := newFollows(t, options{postgres: postgres})
		x.carriedOutside()
		x.booking()
		c := x.served(x.f)
		list, _ := x.claimed(c, &vw.ClaimMessagesRequest{RequestId: one, LeaseSeconds: 900})
		letter, err := x.collect(c, list[0])
		x.must(err)
		if !letter.GetLeaseEndTime().AsTime().Equal(list[0].GetLeaseEndTime().AsTime()) {
			t.Errorf("claimed until %v, collected until %v", list[0].GetLeaseEndTime().AsTime(), letter.GetLeaseEndTime().AsTime())
		}
		x.clock.Advance(14 * time.Minute)
		if again, _ := x.claimed(c, &vw.ClaimMessagesRequest{RequestId: two}); len(again) != 0 {
			t.Errorf("handed out again within its lease: %v", again)
		}
		x.must(x.acknowledge(c, list[0]))
	})
}

func TestALateAcknowledgementCountsWhileNobodyElseHasTheMessage(t *testing.T) {
	x := newFollows(t, options{})
	x.carriedOutside()
	x.booking()
	c := x.served(x.f)
	list, _ := x.claimed(c, &vw.ClaimMessagesRequest{RequestId: one})
	_, err := x.collect(c, list[0])
	x.must(err)
	x.clock.Advance(3 * time.Minute)
	x.must(x.acknowledge(c, list[0]))
	if again, _ := x.claimed(c, &vw.ClaimMessagesRequest{RequestId: two}); len(again) != 0 {
		t.Errorf("sent, and claimed again: %v", again)
	}
}

func TestWhatWasCancelledOrOptedOutOfAfterTheClaimIsNotHandedOut(t *testing.T) {
	for name, change := range map[string]func(*follows, *vw.Booking){
		"cancelled at the last moment": func(x *follows, b *vw.Booking) {
			a := b.GetAppointments()[0]
			_, err := x.client.CancelAppointment(x.Context(), &vw.CancelAppointmentRequest{Name: a.GetName(), Etag: a.GetEtag(), Reason: "patient-asked"})
			x.must(err)
		},
		"opted out after the claim": func(x *follows, _ *vw.Booking) {
			_, err := x.f.SetContactWishes(x.in(), &vw.SetContactWishesRequest{Wishes: &vw.ContactWishes{Patient: x.patient, Channel: "email", OptedOut: true, ConsentDate: day("2026-01-07")}})
			x.must(err)
		},
	} {
		t.Run(name, func(t *testing.T) {
			onBothStores(t, func(t *testing.T, postgres bool) {
				x := newFollows(t, options{postgres: postgres})
				x.carriedOutside()
				b := x.booking()
				c := x.served(x.f)
				list, _ := x.claimed(c, &vw.ClaimMessagesRequest{RequestId: one})
				change(x, b)
				_, err := c.CollectLetter(asIntegration(t.Context()), &vw.CollectLetterRequest{Name: list[0].GetMessage(), Attempt: 1, ValidateOnly: true})
				x.want(err, codes.FailedPrecondition, "MESSAGE_WITHDRAWN")
				if got := x.messages("claimed"); len(got) != 1 {
					t.Errorf("only asked about, and changed: %v", x.messages(""))
				}
				_, err = x.collect(c, list[0])
				x.want(err, codes.FailedPrecondition, "MESSAGE_WITHDRAWN")
				x.want(x.acknowledge(c, list[0]), codes.Aborted, "MESSAGE_CLAIM_LOST")
				if got := x.messages("cancelled"); len(got) != 1 {
					t.Errorf("cancelled: %v", got)
				}
			})
		})
	}
}

func TestHandsThatAreFullGetNoMoreUntilSomethingIsEnded(t *testing.T) {
	x := newFollows(t, options{})
	x.carriedOutside()
	x.agrees(x.patientID2)
	x.booking()
	_, err := x.byHand(t.Context(), x.patient2, "2026-01-16 09:00", 60)
	x.must(err)
	_, err = x.f.Refresh(t.Context(), "")
	x.must(err)
	c := x.served(x.f)
	ctx, end := context.WithTimeout(asIntegration(t.Context()), 20*time.Second)
	defer end()
	s, err := c.ClaimMessages(ctx, &vw.ClaimMessagesRequest{Parent: "practices/" + willow, RequestId: one, MostInHand: 1})
	x.must(err)
	next := func() *vw.ClaimMessagesResponse {
		t.Helper()
		for {
			got, err := s.Recv()
			x.must(err)
			if got.GetClaim() != nil || got.GetCaughtUp() {
				return got
			}
		}
	}
	a := next().GetClaim()
	beat, err := s.Recv()
	x.must(err)
	if beat.GetClaim() != nil || beat.GetCaughtUp() {
		t.Errorf("one in hand of one: %v", beat)
	}
	_, err = c.FailMessage(ctx, &vw.FailMessageRequest{Name: a.GetMessage(), Attempt: a.GetAttempt(), Outcome: "temporary", Code: 451})
	x.must(err)
	b := next().GetClaim()
	if b.GetMessage() == a.GetMessage() || b == nil {
		t.Errorf("then %v", b)
	}
	_, err = x.collect(c, b)
	x.must(err)
	_, err = c.FailMessage(ctx, &vw.FailMessageRequest{Name: b.GetMessage(), Attempt: b.GetAttempt(), Outcome: "permanent", Code: 550})
	x.must(err)
	if !next().GetCaughtUp() {
		t.Error("nothing more is due, and nobody said so")
	}
	if got := x.messages("failed"); len(got) != 1 || got[0].GetProblem() != "permanent failure (code 550): the integration could not send it" {
		t.Errorf("failures: %v", got)
	}
	again := false
	for _, m := range x.messages("waiting") {
		again = again || m.GetName() == a.GetMessage() && m.GetAttempts() == 1
	}
	if !again {
		t.Errorf("does not wait for its next attempt: %v", x.messages(""))
	}
}
