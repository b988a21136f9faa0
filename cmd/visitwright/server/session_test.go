package server

import (
	"context"
	"sync"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/wrapperspb"

	"github.com/visitwright/visitwright/store"
	"github.com/visitwright/visitwright/store/access"
)

// desk is a store with one session in it.
type desk struct {
	finder
	mu      sync.Mutex
	session store.Session
	now     time.Time
	fail    error
	looked  chan struct{} // receives when somebody looked and nobody has noticed yet
	uses    int
}

func newDesk(t *testing.T) (*desk, string) {
	t.Helper()
	text, id, hash := access.MintSession("amsel")
	now := time.Now()
	return &desk{now: now, looked: make(chan struct{}, 1), session: store.Session{ID: id, Practice: "amsel", Hash: hash, PersonID: "p1", ExpireTime: now.Add(time.Hour),
		Idle: 15 * time.Minute, UseTime: now, Person: store.Person{ID: "p1", Role: store.RoleClinician, Active: true}}}, text
}

func (d *desk) FindSession(_ context.Context, practice, id string) (store.Session, time.Time, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	select {
	case d.looked <- struct{}{}:
	default:
	}
	switch {
	case d.fail != nil:
		return store.Session{}, d.now, d.fail
	case practice != "amsel" || id != d.session.ID:
		return store.Session{}, d.now, store.ErrNotFound
	}
	return d.session, d.now, nil
}

func (d *desk) UseSession(context.Context, string, string) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.uses++
	d.session.UseTime = d.now
	return nil
}

func (d *desk) change(f func()) {
	d.mu.Lock()
	defer d.mu.Unlock()
	f()
}

// reasonOf is the reason in an error's details.
func reasonOf(err error) string {
	for _, detail := range status.Convert(err).Details() {
		if info, ok := detail.(*errdetails.ErrorInfo); ok {
			return info.GetReason()
		}
	}
	return ""
}

// watching is a handler that tells that it has begun and ends with its caller.
func watching(begun chan<- struct{}) *echo {
	return &echo{watch: func(stream grpc.ServerStream) error {
		if err := stream.SendMsg(wrapperspb.String("begun")); err != nil {
			return err
		}
		begun <- struct{}{}
		<-stream.Context().Done()
		return stream.Context().Err()
	}}
}

func TestAStreamEndsWithItsSession(t *testing.T) {
	for name, c := range map[string]struct {
		end    func(*desk)
		reason string
	}{
		"signed out":  {func(d *desk) { d.session.EndTime = d.now }, "SESSION_ENDED"},
		"expired":     {func(d *desk) { d.now = d.session.ExpireTime; d.session.UseTime = d.now }, "SESSION_ENDED"},
		"deactivated": {func(d *desk) { d.session.Person.Active = false }, "SESSION_ENDED"},
		"idle":        {func(d *desk) { d.now = d.now.Add(15 * time.Minute) }, "SESSION_IDLE"},
	} {
		t.Run(name, func(t *testing.T) {
			d, text := newDesk(t)
			begun := make(chan struct{}, 1)
			o := testOptions(watching(begun))
			o.Tokens, o.SessionRecheck = d, 5*time.Millisecond
			_, conn := start(t, o)
			stream, err := conn.NewStream(as(t.Context(), text), &grpc.StreamDesc{ServerStreams: true}, watchMethod)
			if err != nil {
				t.Fatal(err)
			}
			if err := stream.CloseSend(); err != nil {
				t.Fatal(err)
			}
			if err := stream.RecvMsg(new(wrapperspb.StringValue)); err != nil {
				t.Fatal(err)
			}
			<-begun
			d.change(func() { d.fail = store.ErrUnavailable }) // a store that does not answer ends no stream
			for range 3 {
				<-d.looked
			}
			d.change(func() { d.fail = nil; c.end(d) })
			err = stream.RecvMsg(new(wrapperspb.StringValue))
			wantCode(t, err, codes.Unauthenticated)
			if got := reasonOf(err); got != c.reason {
				t.Errorf("reason %s, want %s", got, c.reason)
			}
			if d.uses != 0 {
				t.Errorf("the stream counted as use %d times", d.uses)
			}
		})
	}
}

func TestACallIsUseAndARefreshingScreenIsNot(t *testing.T) {
	d, text := newDesk(t)
	o := testOptions(&echo{})
	o.Tokens = d
	_, conn := start(t, o)
	unattended := metadata.AppendToOutgoingContext(as(t.Context(), text), UnattendedHeader, "1")
	for _, step := range []struct {
		ctx  context.Context
		wait time.Duration
		uses int
	}{
		{as(t.Context(), text), 59 * time.Second, 0}, {unattended, time.Minute, 0}, {as(t.Context(), text), 0, 1}, {as(t.Context(), text), 0, 1},
	} {
		d.change(func() { d.now = d.now.Add(step.wait) })
		if _, err := say(step.ctx, conn, "hello"); err != nil {
			t.Fatal(err)
		}
		if d.uses != step.uses {
			t.Errorf("noted %d times, want %d", d.uses, step.uses)
		}
	}
}

func TestASessionThatEndedIsNoGuess(t *testing.T) {
	d, text := newDesk(t)
	d.session.EndTime = d.now
	o := testOptions(&echo{})
	o.Tokens = d
	_, conn := start(t, o)
	for range 2 * BadTokensBurst { // a screen that asks on is not put off as a guesser is
		_, err := say(as(t.Context(), text), conn, "hello")
		wantCode(t, err, codes.Unauthenticated)
		if got := reasonOf(err); got != "SESSION_ENDED" {
			t.Fatalf("reason %s", got)
		}
	}
	_, err := say(as(t.Context(), text[:len(text)-2]+"xx"), conn, "hello")
	if wantCode(t, err, codes.Unauthenticated); reasonOf(err) != "TOKEN_INVALID" {
		t.Errorf("who has half a token is told %s", reasonOf(err))
	}
}
