package server

import (
	"context"
	"net"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/protobuf/proto"
)

// wantOrder spells the chain, outermost first.
var wantOrder = []string{
	"recovery", "call-id-and-log", "metrics", "size-and-deadline", "authenticate", "role", "practice",
	"rate-limit", "validate", "audit", "fault-map", "inner-recovery",
}

func testLinks() []link {
	o := testOptions(&echo{})
	if err := o.complete(); err != nil {
		panic(err)
	}
	return o.links(newMetrics(), &refusals{writer: &trail{}, log: quiet()})
}

func TestTheChainStandsInItsOrder(t *testing.T) {
	if got := names(testLinks()); !slices.Equal(got, wantOrder) {
		t.Fatalf("got  %v\nwant %v", got, wantOrder)
	}
}

func TestACallPassesTheLinksInTheirOrder(t *testing.T) {
	var passed []string
	links := testLinks()
	for i := range links {
		name, around, message := links[i].name, links[i].around, links[i].message
		links[i].message = nil
		links[i].around = func(ctx context.Context, call *Call, next func(context.Context) error) error {
			passed = append(passed, name)
			inner := next
			if message != nil {
				inner = func(ctx context.Context) error {
					if err := message(ctx, call, call.Request); err != nil {
						return err
					}
					return next(ctx)
				}
			}
			if around == nil {
				return inner(ctx)
			}
			return around(ctx, call, inner)
		}
	}
	c, err := newChain(time.Now, links...)
	if err != nil {
		t.Fatal(err)
	}
	s, conn := startChain(t, c)
	defer s()
	if _, err := say(as(t.Context(), "amsel-clinician"), conn, "a"); err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(passed, wantOrder) {
		t.Fatalf("got  %v\nwant %v", passed, wantOrder)
	}
}

func TestAnyTwoDependentLinksThatChangePlacesAreRefused(t *testing.T) {
	links := testLinks()
	for i, l := range links {
		for _, need := range l.after {
			j := slices.IndexFunc(links, func(l link) bool { return l.name == need })
			swapped := slices.Clone(links)
			swapped[i], swapped[j] = swapped[j], swapped[i]
			if _, err := newChain(time.Now, swapped...); err == nil {
				t.Errorf("%q before %q was not refused", l.name, need)
			}
		}
	}
}

func TestNothingReadsTheRequestBeforeTheCallerIsKnown(t *testing.T) {
	for _, l := range testLinks() {
		if l.message == nil || l.name == LinkDeadline {
			continue // size is the one thing that is looked at before
		}
		if !slices.Contains(l.after, LinkAuthenticate) {
			t.Errorf("%q reads requests and does not say that it comes after %q", l.name, LinkAuthenticate)
		}
	}
}

func TestALinkNamedTwiceOrDoingNothingIsRefused(t *testing.T) {
	does := func(context.Context, *Call, proto.Message) error { return nil }
	if _, err := newChain(time.Now, link{name: "a", message: does}, link{name: "a", message: does}); err == nil || !strings.Contains(err.Error(), "twice") {
		t.Errorf("a link named twice: %v", err)
	}
	if _, err := newChain(time.Now, link{name: "a"}); err == nil {
		t.Error("a link that does nothing was not refused")
	}
}

// startChain serves the echo behind a chain that a test has changed.
func startChain(t *testing.T, c *chain) (stop func(), conn *grpc.ClientConn) {
	t.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	s := grpc.NewServer(grpc.UnaryInterceptor(c.unary))
	(&echo{say: func(_ context.Context, text string) (string, error) { return text, nil }}).register(s)
	go func() { _ = s.Serve(listener) }()
	conn, err = grpc.NewClient(listener.Addr().String(), grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	return func() { _ = conn.Close(); s.Stop() }, conn
}
