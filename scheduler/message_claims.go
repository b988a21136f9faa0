package scheduler

import (
	"context"
	"errors"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"

	"github.com/visitwright/visitwright/proto/fault"
	"github.com/visitwright/visitwright/proto/names"
	"github.com/visitwright/visitwright/proto/requests"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/scheduler/channel"
	"github.com/visitwright/visitwright/store"
)

const (
	// defaultInHand and leastLease are what a client gets that asks for nothing.
	defaultInHand = 20
	leastLease    = 30 * time.Second
	// claimLook is the longest time until a stream finds what fell due.
	claimLook = time.Second
)

// everyWay is what an integration carries: it says so by failing what it cannot.
func everyWay(id string) bool { return id == "email" || id == "text" }

// ClaimMessages hands messages to an integration that sends them itself.
func (f *FollowUps) ClaimMessages(r *vw.ClaimMessagesRequest, stream grpc.ServerStreamingServer[vw.ClaimMessagesResponse]) error {
	ctx := stream.Context()
	caller, err := f.diary.writer(ctx, r)
	if err != nil {
		return err
	}
	if err := caller.Within("parent", r.GetParent()); err != nil {
		return err
	}
	c := &claimant{f: f, caller: caller, stream: stream, worker: caller.Actor + "/" + r.GetRequestId(), most: int(r.GetMostInHand()), lease: time.Duration(r.GetLeaseSeconds()) * time.Second}
	if c.most == 0 {
		c.most = defaultInHand
	}
	if c.lease == 0 {
		c.lease = sendLease
	}
	if c.lease < leastLease {
		return invalidField("lease_seconds", "30 to 900, or 0 for 120")
	}
	if _, err := c.surroundings(ctx); err != nil {
		return err
	}
	if r.GetValidateOnly() {
		return stream.Send(&vw.ClaimMessagesResponse{})
	}
	held, err := f.store.ClaimsInHand(ctx, caller.Reading(), c.worker)
	if err != nil {
		return f.diary.fault(err, caller, nil)
	}
	for _, x := range held {
		if err := c.tell(x); err != nil {
			return err
		}
	}
	return c.follow(ctx)
}

// claimant is one stream of claims.
type claimant struct {
	f      *FollowUps
	caller Caller
	stream grpc.ServerStreamingServer[vw.ClaimMessagesResponse]
	worker string
	most   int
	lease  time.Duration
	beat   *vw.ClaimMessagesResponse // the last heartbeat; nil once something was told since
}

// surroundings are the practice's, as long as an integration sends for it.
func (c *claimant) surroundings(ctx context.Context) (surroundings, error) {
	return c.f.carriedOutside(ctx, c.caller)
}

func (f *FollowUps) carriedOutside(ctx context.Context, caller Caller) (surroundings, error) {
	at, err := f.surroundings(ctx, caller.Practice)
	if err != nil {
		return at, f.diary.fault(err, caller, nil)
	}
	if at.messages.carrier() != store.CarrierIntegration {
		return at, fault.State(vw.ErrorReason_ERROR_REASON_MESSAGES_SENT_BY_HOUSE, names.MessagePolicy(caller.Practice),
			"this server sends the practice's messages: set the message policy's carrier to integration first")
	}
	return at, nil
}

// follow hands out what falls due until the client leaves or the server stops.
// The outbox is the truth: it is looked at so often by itself, and at once when
// the client has made room.
func (c *claimant) follow(ctx context.Context) error {
	beat := time.NewTicker(c.f.diary.heartbeat)
	defer beat.Stop()
	look := time.NewTicker(min(claimLook, c.f.diary.heartbeat))
	defer look.Stop()
	for {
		freed := c.f.freed.listen()
		if err := c.round(ctx); err != nil {
			return err
		}
		select {
		case <-ctx.Done():
			return c.f.diary.fault(ctx.Err(), c.caller, nil)
		case <-c.f.diary.stopping:
			return &fault.Fault{Code: codes.Unavailable, Reason: vw.ErrorReason_ERROR_REASON_SHUTTING_DOWN,
				Text: "the server is stopping: claim on with the same request id, here or elsewhere", RetryAfter: time.Second}
		case <-freed:
		case <-look.C:
		case <-beat.C:
			c.beat = nil
		}
	}
}

// round claims and tells of all that is due, then says once that it did.
func (c *claimant) round(ctx context.Context) error {
	at, err := c.surroundings(ctx)
	if err != nil {
		return err
	}
	for {
		list, room, err := c.f.store.ClaimForIntegration(ctx, c.caller.Reading(), c.worker, c.most, c.lease)
		if err != nil {
			return c.f.diary.fault(err, c.caller, nil)
		}
		for _, x := range list {
			if err := c.offer(ctx, x, at); err != nil {
				return err
			}
		}
		if len(list) > 0 && !room { // what need not leave made room
			continue
		}
		if c.beat != nil && c.beat.GetCaughtUp() == room {
			return nil
		}
		c.beat = &vw.ClaimMessagesResponse{CaughtUp: room}
		return c.stream.Send(c.beat)
	}
}

// offer tells of a claim, unless its message need not or may not leave now.
func (c *claimant) offer(ctx context.Context, x store.Claim, at surroundings) error {
	v, err := c.f.store.BeginSending(ctx, x.Message, func(st store.Standing) (store.Verdict, error) {
		v := at.verdict(x.Message, st, everyWay)
		if v.To == store.MessageSending {
			v = store.Verdict{To: store.MessageClaimed} // nothing leaves before it is collected
		}
		return v, nil
	})
	if errors.Is(err, store.ErrWrongState) || err == nil && v.To != store.MessageClaimed {
		return nil
	}
	if err != nil {
		return c.f.diary.fault(err, c.caller, nil)
	}
	return c.tell(x)
}

func (c *claimant) tell(x store.Claim) error {
	c.beat = nil
	return c.stream.Send(&vw.ClaimMessagesResponse{Claim: &vw.MessageClaim{Message: names.Message(c.caller.Practice, x.ID), Attempt: int32(x.Attempt),
		LeaseEndTime: instant(x.LeaseEnd), Kind: x.Kind, UselessTime: instant(x.UselessAt)}})
}

// CollectLetter looks at a claim once more and hands out its letter.
func (f *FollowUps) CollectLetter(ctx context.Context, r *vw.CollectLetterRequest) (*vw.Letter, error) {
	caller, id, err := f.claimed(ctx, r)
	if err != nil {
		return nil, err
	}
	at, err := f.carriedOutside(ctx, caller)
	if err != nil {
		return nil, err
	}
	var letter channel.Letter
	var seen store.Verdict // kept, but where it is only asked about
	v, claim, err := f.store.CollectMessage(ctx, caller.Reading(), id, int(r.GetAttempt()), func(m store.Message, st store.Standing) (store.Verdict, error) {
		v := at.verdict(m, st, everyWay)
		if v.To == store.MessageSending {
			var unfit error
			if letter, unfit = at.letter(m, st, v.Channel); unfit != nil {
				v = store.Verdict{To: store.MessageFailed, Problem: unfitWording}
			}
		}
		if seen = v; r.GetValidateOnly() {
			return store.Verdict{}, nil
		}
		return v, nil
	})
	if err != nil {
		return nil, f.claimFault(err, caller, r.GetName())
	}
	out := &vw.Letter{Message: r.GetName(), Attempt: r.GetAttempt(), LeaseEndTime: instant(claim.LeaseEnd)}
	if r.GetValidateOnly() {
		v, letter = seen, channel.Letter{}
	}
	if v.To != store.MessageSending {
		f.freed.ring()
		return nil, fault.State(vw.ErrorReason_ERROR_REASON_MESSAGE_WITHDRAWN, r.GetName(), "not to be sent: "+v.Problem)
	}
	out.Channel, out.Address, out.Subject, out.Body = v.Channel, letter.To, letter.Subject, letter.Body
	return out, nil
}

// AcknowledgeMessage says that a collected letter was taken.
func (f *FollowUps) AcknowledgeMessage(ctx context.Context, r *vw.AcknowledgeMessageRequest) (*vw.Message, error) {
	return f.endClaim(ctx, r, func(m store.Message, _ time.Time) store.Verdict {
		return store.Verdict{To: store.MessageSent, Channel: m.Channel}
	})
}

// FailMessage gives a message back.
func (f *FollowUps) FailMessage(ctx context.Context, r *vw.FailMessageRequest) (*vw.Message, error) {
	return f.endClaim(ctx, r, func(m store.Message, now time.Time) store.Verdict {
		return outcome(m, m.Channel, &channel.Failure{Outcome: channel.Outcome(r.GetOutcome()), Code: int(r.GetCode()), Text: "the integration could not send it"}, now)
	})
}

// claiming is what a request about one claim brings.
type claiming interface {
	requests.Writing
	GetName() string
	GetAttempt() int32
	GetValidateOnly() bool
}

func (f *FollowUps) claimed(ctx context.Context, r claiming) (Caller, string, error) {
	caller, err := f.diary.writer(ctx, r)
	if err != nil {
		return caller, "", err
	}
	n, err := caller.One(names.MessagePattern, "name", r.GetName(), vw.ErrorReason_ERROR_REASON_MESSAGE_NOT_FOUND)
	return caller, n.ID, err
}

func (f *FollowUps) endClaim(ctx context.Context, r claiming, decide func(store.Message, time.Time) store.Verdict) (*vw.Message, error) {
	caller, id, err := f.claimed(ctx, r)
	if err != nil {
		return nil, err
	}
	if r.GetValidateOnly() {
		return &vw.Message{Name: r.GetName()}, nil
	}
	m, err := f.store.EndClaim(ctx, caller.Call, id, int(r.GetAttempt()), decide)
	if err != nil {
		return nil, f.claimFault(err, caller, r.GetName())
	}
	f.freed.ring()
	return messageToProto(caller.Practice, m), nil
}

func (f *FollowUps) claimFault(err error, c Caller, name string) error {
	if errors.Is(err, store.ErrWrongState) {
		return fault.Stale(vw.ErrorReason_ERROR_REASON_MESSAGE_CLAIM_LOST, name,
			"this attempt does not hold the message: its lease ended, it was ended already, or it was not collected; claim anew").Because(err)
	}
	return f.diary.fault(err, c, nil)
}
