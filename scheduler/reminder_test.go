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
	"github.com/visitwright/visitwright/store"
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

// storm is how many reminders two replicas send in the test below: 10,000 with
// VISITWRIGHT_STORM=10000, fewer in CI.
func TestRemindersOverTwoReplicasWithOneKilledFiveTimes(t *testing.T) {
	for _, postgres := range []bool{false, true} {
		t.Run(map[bool]string{false: "SQLite", true: "PostgreSQL"}[postgres], func(t *testing.T) { reminderStorm(t, postgres) })
	}
}

func reminderStorm(t *testing.T, postgres bool) {
	n := stormSize()
	x := newFollows(t, options{postgres: postgres})
	x.writes()
	x.post.fail = func(wire int) error {
		if wire%10 == 0 {
			return &channel.Failure{Outcome: channel.Temporary, Text: "busy"}
		}
		return nil
	}
	var left []store.NewMessage
	now := x.clock.Now()
	for i := range n {
		left = append(left, store.NewMessage{Occasion: fmt.Sprintf("test/%d", i), PatientID: x.patientID, Kind: "moved", NotBefore: now, UselessAt: now.Add(240 * time.Hour)})
	}
	_, err := x.byHand(x.Context(), x.patient, "2026-01-15 09:00", 60)
	x.must(err)
	_, err = x.store.TakeCauses(t.Context(), willow, 100, func(context.Context, string, store.Appointment, []store.Message, time.Time) ([]store.NewMessage, error) {
		out := left
		left = nil
		return out, nil
	})
	x.must(err)
	second := &scheduler.Sender{FollowUps: x.service(x.start()), Channels: x.sender.Channels, Worker: "w2"}
	kills, moments := 0, []scheduler.Moment{scheduler.AfterClaim, scheduler.BeforeData, scheduler.AfterTaken, scheduler.BeforeCommit, scheduler.AfterTaken}
	passed := 0
	second.Dies = func(at scheduler.Moment) error {
		if kills < len(moments) && at == moments[kills] {
			if passed++; passed > 1 {
				passed = 0
				kills++
				return errors.New("killed")
			}
			if at == scheduler.AfterClaim {
				kills++
				return errors.New("killed")
			}
		}
		return nil
	}
	for range 400 {
		var wait sync.WaitGroup
		did := [2]int{}
		for i, s := range []*scheduler.Sender{x.sender, second} {
			wait.Add(1)
			go func() {
				defer wait.Done()
				did[i], _ = s.Send(context.WithoutCancel(t.Context()), [2]int{max(4, n/400), max(20, n/100)}[i]) // who is killed leaves its work to the lease
			}()
		}
		wait.Wait()
		if did[0]+did[1] == 0 {
			x.clock.Advance(3 * time.Minute)
			if len(x.post.seen) == n && len(x.messages("claimed"))+len(x.messages("sending"))+len(x.messages("waiting")) == 0 {
				break
			}
		}
	}
	double := 0
	for _, times := range x.post.seen {
		double += times - 1
	}
	t.Logf("%d reminders, %d at the wire, %d failed there, %d came twice with the same id, %d kills", n, x.post.wire, x.post.wire/10, double, kills)
	if len(x.post.seen) != n || len(x.post.letters) != n || kills != len(moments) {
		t.Errorf("delivered %d of %d, shown %d, kills %d", len(x.post.seen), n, len(x.post.letters), kills)
	}
	if double > kills {
		t.Errorf("%d came twice for %d kills", double, kills)
	}
}
