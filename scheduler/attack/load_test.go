package attack_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/anishathalye/porcupine"
	"github.com/google/uuid"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/genproto/googleapis/type/timeofday"
	"google.golang.org/grpc"
	"google.golang.org/grpc/backoff"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

const clients = 64

// load is what the clients did and saw.
type load struct {
	a       *arena
	started time.Time

	mu      sync.Mutex
	history []porcupine.Operation
	last    map[string]string // booking -> the state that its client saw last
	vacant  []op              // places given up of late, for which several clients then race

	tried, booked, confirmed, cancelled, refused, explained, repeated atomic.Int64
}

// attack lets 64 clients on the replicas try so many bookings, firm and
// provisional, on the nearly full diary; some are confirmed, some given up.
// disturb runs beside them, told how many have been tried.
func attack(t *testing.T, a *arena, addresses []string, attempts int, disturb func(tried func() int64)) *load {
	t.Helper()
	l := &load{a: a, started: now(), last: map[string]string{}}
	var wg, beside sync.WaitGroup
	finished := make(chan struct{})
	if disturb != nil {
		beside.Go(func() { disturb(l.tried.Load) })
	}
	for c := range clients {
		wg.Go(func() {
			x := newClient(t, l, c, addresses)
			defer x.close()
			for l.tried.Add(1) <= int64(attempts) && !t.Failed() {
				x.attempt()
			}
		})
	}
	wg.Wait()
	close(finished)
	beside.Wait()
	took := now().Sub(l.started)
	t.Logf("%d bookings tried by %d clients on %d replicas in %v (%.0f a second): %d booked, %d confirmed, %d given up, %d refused, %d of them told which resource; %d calls repeated",
		attempts, clients, len(addresses), took.Round(time.Millisecond), float64(attempts)/took.Seconds(), l.booked.Load(), l.confirmed.Load(), l.cancelled.Load(), l.refused.Load(), l.explained.Load(), l.repeated.Load())
	return l
}

// mostVacant is how many places are raced for at a time.
const mostVacant = 32

// offer tells the others of a place that was given up.
func (l *load) offer(o op) {
	l.mu.Lock()
	defer l.mu.Unlock()
	o.cancel, o.booking = false, ""
	if len(l.vacant) < mostVacant {
		l.vacant = append(l.vacant, o)
		return
	}
	l.vacant[len(l.history)%mostVacant] = o
}

// draw is a place at random, or mostly one that was given up of late.
func (l *load) draw(rng *rand.Rand) op {
	o := l.a.draw(rng)
	l.mu.Lock()
	defer l.mu.Unlock()
	if len(l.vacant) > 0 && rng.IntN(5) < 4 {
		patient := o.patient
		o = l.vacant[rng.IntN(len(l.vacant))]
		o.patient = patient
	}
	return o
}

// client is one of the attackers, with a connection to each replica.
type client struct {
	t     *testing.T
	l     *load
	n     int
	rng   *rand.Rand
	conns []*grpc.ClientConn
}

func newClient(t *testing.T, l *load, n int, addresses []string) *client {
	x := &client{t: t, l: l, n: n, rng: rand.New(rand.NewPCG(7, uint64(n)))}
	for _, address := range addresses {
		conn, err := grpc.NewClient(address, grpc.WithTransportCredentials(insecure.NewCredentials()),
			grpc.WithConnectParams(grpc.ConnectParams{Backoff: backoff.Config{BaseDelay: 20 * time.Millisecond, Multiplier: 1.5, MaxDelay: 200 * time.Millisecond}, MinConnectTimeout: time.Second}))
		if err != nil {
			t.Error(err)
			continue
		}
		x.conns = append(x.conns, conn)
	}
	return x
}

func (x *client) close() {
	for _, c := range x.conns {
		_ = c.Close()
	}
}

// attempt tries one booking at random, and what follows from it.
func (x *client) attempt() {
	o := x.l.draw(x.rng)
	request := &vw.BookOfferRequest{Parent: "practices/" + practice, Patient: x.l.a.patients[o.patient], RequestId: uuid.NewString(), Places: []*vw.PlaceToBook{{
		Unplanned: &vw.UnplannedVisit{Protocol: "primary-treatment", Minutes: int32(5 * (o.to - o.from))}, Place: x.l.a.place(o)}}}
	provisional := x.rng.IntN(5) < 2
	if provisional {
		request.KeepMinutes = 24 * 60
	}
	var b *vw.Booking
	begun := now()
	lastTry := begun
	err := x.insist(func(c vw.DiaryServiceClient, ctx context.Context) (err error) {
		lastTry = now()
		b, err = c.BookOffer(ctx, request)
		return err
	})
	ended := now()
	if err != nil {
		x.refusal(err)
		// Had an earlier try been done, its answer would have come again: the
		// refusal is the last try's.
		x.record(o, refused, lastTry, ended)
		return
	}
	x.l.booked.Add(1)
	a := b.GetAppointments()[0]
	o.booking = id(b.GetName())
	x.record(o, done, begun, ended)
	x.saw(o.booking, stateOf(a))
	if provisional && x.rng.IntN(3) > 0 {
		if a = x.confirm(b); a == nil {
			return
		}
		x.saw(o.booking, stateOf(a))
	}
	if x.rng.IntN(5) < 4 { // so that the diary stays as full as it was
		x.giveUp(o, a)
	}
}

func (x *client) confirm(b *vw.Booking) *vw.Appointment {
	r := &vw.ConfirmBookingRequest{Name: b.GetName(), RequestId: uuid.NewString()}
	err := x.insist(func(c vw.DiaryServiceClient, ctx context.Context) (err error) {
		b, err = c.ConfirmBooking(ctx, r)
		return err
	})
	if err != nil {
		x.t.Errorf("client %d: confirming: %v", x.n, err)
		return nil
	}
	x.l.confirmed.Add(1)
	return b.GetAppointments()[0]
}

func (x *client) giveUp(o op, a *vw.Appointment) {
	r := &vw.CancelAppointmentRequest{Name: a.GetName(), Etag: a.GetEtag(), Reason: "patient-asked", RequestId: uuid.NewString()}
	begun := now()
	err := x.insist(func(c vw.DiaryServiceClient, ctx context.Context) (err error) {
		a, err = c.CancelAppointment(ctx, r)
		return err
	})
	if err != nil {
		x.t.Errorf("client %d: giving up: %v", x.n, err)
		return
	}
	x.l.cancelled.Add(1)
	o.cancel = true
	x.record(o, done, begun, now())
	x.l.offer(o)
	x.saw(o.booking, stateOf(a))
}

// insist makes a call until it is answered: a server that is gone, or a database
// that is busy, is asked again with the same request id, here or on the other
// replica.
func (x *client) insist(call func(vw.DiaryServiceClient, context.Context) error) error {
	const tries = 600
	var err error
	for try := range tries {
		conn := x.conns[x.rng.IntN(len(x.conns))]
		ctx, cancel := context.WithTimeout(metadata.AppendToOutgoingContext(x.t.Context(), "actor", fmt.Sprint("client-", x.n)), 10*time.Second)
		err = call(vw.NewDiaryServiceClient(conn), ctx)
		cancel()
		if !again(err) {
			return err
		}
		x.l.repeated.Add(1)
		select {
		case <-x.t.Context().Done():
			return err
		case <-time.After(time.Duration(1+min(try, 20)) * 5 * time.Millisecond):
		}
	}
	return err
}

// again reports whether the answer leaves open what happened, or says that
// nothing did and that another try may succeed.
func again(err error) bool {
	switch status.Code(err) {
	case codes.Unavailable, codes.DeadlineExceeded, codes.Canceled:
		return true
	case codes.Aborted:
		return reason(err) == "CONCURRENT_CHANGE"
	case codes.OK:
		return false
	}
	return false
}

func reason(err error) string {
	for _, d := range status.Convert(err).Details() {
		if info, ok := d.(*errdetails.ErrorInfo); ok {
			return info.GetReason()
		}
	}
	return ""
}

// refusal checks that whoever is refused is told why.
func (x *client) refusal(err error) {
	if status.Code(err) != codes.Aborted || reason(err) != "PLACE_TAKEN" {
		x.t.Errorf("client %d: refused with %v", x.n, err)
		return
	}
	x.l.refused.Add(1)
	for _, d := range status.Convert(err).Details() {
		if info, ok := d.(*errdetails.ErrorInfo); ok && info.GetMetadata()["resource"] != "" {
			x.l.explained.Add(1)
		}
	}
}

func (x *client) record(o op, a answer, begun, ended time.Time) {
	x.l.mu.Lock()
	defer x.l.mu.Unlock()
	x.l.history = append(x.l.history, porcupine.Operation{ClientId: x.n, Input: o, Output: a,
		Call: int64(begun.Sub(x.l.started)) + beforehand, Return: int64(ended.Sub(x.l.started)) + beforehand})
}

func (x *client) saw(booking, state string) {
	x.l.mu.Lock()
	defer x.l.mu.Unlock()
	x.l.last[booking] = state
}

func stateOf(a *vw.Appointment) string {
	return map[vw.Appointment_State]string{vw.Appointment_STATE_PROVISIONAL: "provisional", vw.Appointment_STATE_BOOKED: "booked",
		vw.Appointment_STATE_CANCELLED: "cancelled"}[a.GetState()]
}

// beforehand leaves room on the clock for what was booked before the attack.
const beforehand = 1_000_000

// whole is the history with what was booked beforehand.
func (l *load) whole() []porcupine.Operation {
	var out []porcupine.Operation
	for i, o := range l.a.filled {
		out = append(out, porcupine.Operation{ClientId: clients, Input: o, Output: done, Call: int64(2 * i), Return: int64(2*i + 1)})
	}
	return append(out, l.history...)
}

func (a *arena) place(o op) *vw.Place {
	start := a.at(o.day, o.from)
	p := &vw.Place{Minutes: int32(5 * (o.to - o.from)), Start: &vw.LocalDateTime{
		Date: &date.Date{Year: int32(start.Year()), Month: int32(start.Month()), Day: int32(start.Day())},
		Time: &timeofday.TimeOfDay{Hours: int32(start.Hour()), Minutes: int32(start.Minute())}}}
	for _, name := range []string{a.clinicians[o.clinician], a.rooms[o.room], a.nurses[o.nurse], a.microscope} {
		p.Holds = append(p.Holds, &vw.Hold{Resource: name})
	}
	return p
}
