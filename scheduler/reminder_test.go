package scheduler_test

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc/codes"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/scheduler"
	"github.com/visitwright/visitwright/scheduler/channel"
)

// post is a receiver that shows a letter once for one id.
type post struct {
	mu      sync.Mutex
	letters []channel.Letter
	seen    map[string]int // by id: times at the wire
	fail    func(n int) error
	wire    int
}

func (p *post) Send(_ context.Context, l channel.Letter) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.wire++
	if p.fail != nil {
		if err := p.fail(p.wire); err != nil {
			return err
		}
	}
	if p.seen[l.ID]++; p.seen[l.ID] == 1 {
		p.letters = append(p.letters, l)
	}
	return nil
}

func (p *post) take() []channel.Letter {
	p.mu.Lock()
	defer p.mu.Unlock()
	out := p.letters
	p.letters = nil
	return out
}

// in is a context as the server's chain leaves it.
func (x *follows) in() context.Context { return incoming(x.Context()) }

func (x *follows) refused(err error, code codes.Code, want string) {
	x.Helper()
	code2, reason2 := faultOf(err)
	if code2 != code || reason2 != want {
		x.Errorf("got %v %s, want %v %s: %v", code2, reason2, code, want, err)
	}
}

func (x *follows) messages(state string) []*vw.Message {
	x.Helper()
	got, err := x.f.ListMessages(x.in(), &vw.ListMessagesRequest{Parent: "practices/" + willow, State: state})
	x.must(err)
	return got.GetMessages()
}

// booked books the patient for Thursday, 15 January 2026, 09:00.
func (x *follows) booked() *vw.Booking {
	x.Helper()
	b, err := x.byHand(x.Context(), x.patient, "2026-01-15 09:00", 60)
	x.must(err)
	x.sweeps()
	return b
}

func kinds(list []channel.Letter) (out []string) {
	for _, l := range list {
		out = append(out, l.Kind)
	}
	return out
}

func TestABookingIsConfirmedAndRemindedOfOnce(t *testing.T) {
	x := newFollows(t, options{})
	x.writes()
	x.booked()
	for range 10 * 24 {
		x.clock.Advance(time.Hour)
		x.sweeps()
	}
	if got := fmt.Sprint(kinds(x.post.take())); got != "[confirmation upcoming upcoming]" {
		t.Errorf("%s", got)
	}
}

func TestCancellingOneSecondBeforeAReminderStopsIt(t *testing.T) {
	x := newFollows(t, options{})
	x.writes()
	b := x.booked()
	x.post.take()
	// The first reminder leaves on 12 January at 10:00 in Vienna, 09:00 UTC.
	x.to(time.Date(2026, 1, 12, 8, 59, 59, 0, time.UTC))
	_, err := x.client.CancelAppointment(x.Context(), &vw.CancelAppointmentRequest{Name: b.GetAppointments()[0].GetName(), Etag: b.GetAppointments()[0].GetEtag(), Reason: "patient-asked"})
	x.must(err)
	x.clock.Advance(time.Second)
	// No sweep has heard of the cancellation: the last look alone stops it.
	_, err = x.sender.Send(t.Context(), 100)
	x.must(err)
	if got := x.post.take(); len(got) != 0 {
		t.Errorf("left: %v", kinds(got))
	}
	if got := x.messages("cancelled"); len(got) != 1 {
		t.Errorf("cancelled: %v", got)
	}
}

func TestWhoOptedOutHearsNothing(t *testing.T) {
	x := newFollows(t, options{})
	x.writes()
	x.booked()
	x.post.take()
	_, err := x.f.SetContactWishes(x.in(), &vw.SetContactWishesRequest{Wishes: &vw.ContactWishes{Patient: x.patient, Channel: "none", OptedOut: true}})
	x.must(err)
	for range 10 {
		x.clock.Advance(24 * time.Hour)
		x.sweeps()
	}
	if got := x.post.take(); len(got) != 0 {
		t.Errorf("left: %v", kinds(got))
	}
}

// Whatever the moment at which a worker dies, the letter arrives, and a
// receiver that honours its id shows it once.
func TestAWorkerThatDiesLosesNoLetterAndShowsNoneTwice(t *testing.T) {
	for _, row := range []struct {
		at   scheduler.Moment
		wire int
	}{{scheduler.AfterClaim, 1}, {scheduler.BeforeData, 1}, {scheduler.AfterTaken, 2}, {scheduler.BeforeCommit, 2}} {
		t.Run(string(row.at), func(t *testing.T) {
			x := newFollows(t, options{})
			x.writes()
			died := false
			x.sender.Dies = func(at scheduler.Moment) error {
				if at == row.at && !died {
					died = true
					return errors.New("killed")
				}
				return nil
			}
			_, err := x.byHand(x.Context(), x.patient, "2026-01-15 09:00", 60)
			x.must(err)
			_, err = x.f.Refresh(t.Context(), "")
			x.must(err)
			if _, err := x.sender.Send(t.Context(), 10); err == nil || !died {
				t.Fatal("the worker lived on")
			}
			x.clock.Advance(3 * time.Minute) // the lease is over
			for range 3 {
				_, err = x.sender.Send(t.Context(), 10)
				x.must(err)
			}
			if got := kinds(x.post.take()); len(got) != 1 || x.post.wire != row.wire {
				t.Errorf("shown %v, at the wire %d, want %d", got, x.post.wire, row.wire)
			}
			if len(x.messages("sent")) != 1 {
				t.Errorf("kept: %v", x.messages(""))
			}
		})
	}
}
