package server

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/wrapperspb"

	"github.com/visitwright/visitwright/proto/fault"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
	"github.com/visitwright/visitwright/store/access"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// The echo service stands for any service: it answers what its handler says.
const (
	echoMethod  = "/visitwright.test.Echo/Say"
	watchMethod = "/visitwright.test.Echo/Watch"
)

type echo struct {
	say   func(ctx context.Context, text string) (string, error)
	watch func(stream grpc.ServerStream) error
}

func (e *echo) register(r grpc.ServiceRegistrar) {
	r.RegisterService(&grpc.ServiceDesc{
		ServiceName: "visitwright.test.Echo", HandlerType: (*any)(nil),
		Methods: []grpc.MethodDesc{{MethodName: "Say", Handler: func(srv any, ctx context.Context, decode func(any) error, around grpc.UnaryServerInterceptor) (any, error) {
			request := new(wrapperspb.StringValue)
			if err := decode(request); err != nil {
				return nil, err
			}
			return around(ctx, request, &grpc.UnaryServerInfo{Server: srv, FullMethod: echoMethod}, func(ctx context.Context, request any) (any, error) {
				text, err := e.say(ctx, request.(*wrapperspb.StringValue).GetValue())
				return wrapperspb.String(text), err
			})
		}}},
		Streams: []grpc.StreamDesc{{StreamName: "Watch", ServerStreams: true, Handler: func(_ any, stream grpc.ServerStream) error { return e.watch(stream) }}},
	}, e)
}

// The tokens of the tests, minted once: a clinician's and a receptionist's of
// practice amsel.
var minted, kept = func() (map[string]string, map[string]store.Token) {
	texts, records := map[string]string{}, map[string]store.Token{}
	for _, role := range []store.Role{store.RoleClinician, store.RoleReception, store.RoleIntegration} {
		text, record := access.Mint("amsel", role, "test")
		texts["amsel-"+string(role)], records[record.ID] = text, record
	}
	return texts, records
}()

// finder finds the tokens of the tests, or fails.
type finder struct{ fail error }

func (f finder) FindToken(_ context.Context, practice, id string) (store.Token, time.Time, error) {
	if f.fail != nil {
		return store.Token{}, time.Time{}, f.fail
	}
	if record, ok := kept[id]; ok && record.Practice == practice {
		return record, time.Now(), nil
	}
	return store.Token{}, time.Now(), store.ErrNotFound
}

func (f finder) FindSession(context.Context, string, string) (store.Session, time.Time, error) {
	return store.Session{}, time.Now(), store.ErrNotFound
}

func (f finder) UseSession(context.Context, string, string) error { return store.ErrNotFound }

// trail keeps the refusals it is told.
type trail struct {
	mu   sync.Mutex
	kept []string
}

func (t *trail) RecordRefusal(_ context.Context, call store.Call, resource, reason string) error {
	t.mu.Lock()
	defer t.mu.Unlock()
	t.kept = append(t.kept, strings.Join([]string{call.Practice, call.Method, resource, reason}, " "))
	return nil
}

func (t *trail) list() []string {
	t.mu.Lock()
	defer t.mu.Unlock()
	return append([]string(nil), t.kept...)
}

func quiet() *slog.Logger { return slog.New(slog.DiscardHandler) }

func testOptions(e *echo) Options {
	if e.say == nil {
		e.say = func(_ context.Context, text string) (string, error) { return text, nil }
	}
	table := access.Table{echoMethod: {store.RoleClinician}, watchMethod: {store.RoleClinician}}
	return Options{
		Listen: "127.0.0.1:0", Register: e.register, Table: table,
		Tokens: finder{}, Refusals: &trail{}, Probe: func(context.Context) error { return nil },
		Now: time.Now, Log: quiet(),
	}
}

// start runs a server until the test ends and returns a connection to it.
func start(t *testing.T, o Options) (*Server, *grpc.ClientConn) {
	t.Helper()
	s, err := Start(o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Stop)
	conn, err := grpc.NewClient(s.Address(), grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close() })
	return s, conn
}

func as(ctx context.Context, token string) context.Context {
	if text, ok := minted[token]; ok {
		token = text
	}
	return metadata.AppendToOutgoingContext(ctx, "authorization", "Bearer "+token)
}

func say(ctx context.Context, conn *grpc.ClientConn, text string) (string, error) {
	reply := new(wrapperspb.StringValue)
	err := conn.Invoke(ctx, echoMethod, wrapperspb.String(text), reply)
	return reply.GetValue(), err
}

func wantCode(t *testing.T, err error, want codes.Code) {
	t.Helper()
	if got := status.Code(err); got != want {
		t.Fatalf("code %v, want %v: %v", got, want, err)
	}
}

func TestAnAddressThatOthersCanReachIsRefusedWithoutTLS(t *testing.T) {
	for _, address := range []string{"0.0.0.0:0", ":0", "[::]:0", "192.0.2.7:7646"} {
		o := testOptions(&echo{})
		o.Listen = address
		_, err := Start(o)
		if !errors.Is(err, ErrPlaintext) || !strings.Contains(err.Error(), "--tls-cert") {
			t.Errorf("%s: got %v, want a refusal that names --tls-cert", address, err)
		}
	}
}

func TestMetricsAreServedOnThisMachineOnly(t *testing.T) {
	o := testOptions(&echo{})
	o.Metrics = "0.0.0.0:0"
	if _, err := Start(o); err == nil || !strings.Contains(err.Error(), "loopback") {
		t.Fatalf("got %v, want a refusal that says loopback", err)
	}
}

func TestAMethodThatNobodyWasGivenKeepsTheServerFromStarting(t *testing.T) {
	o := testOptions(&echo{})
	delete(o.Table, watchMethod)
	if _, err := Start(o); err == nil || !strings.Contains(err.Error(), watchMethod) {
		t.Fatalf("got %v, want a refusal that names %s", err, watchMethod)
	}
}

func TestOnlyAKnownTokenWithTheRightRoleIsServed(t *testing.T) {
	o := testOptions(&echo{})
	told := &trail{}
	o.Refusals = told
	_, conn := start(t, o)
	ctx := t.Context()
	_, err := say(ctx, conn, "a")
	wantCode(t, err, codes.Unauthenticated)
	_, err = say(as(ctx, "nobody's"), conn, "a")
	wantCode(t, err, codes.Unauthenticated)
	_, err = say(as(ctx, "amsel-reception"), conn, "a")
	wantCode(t, err, codes.PermissionDenied)
	if list := told.list(); len(list) != 1 || !strings.HasPrefix(list[0], "amsel "+echoMethod) {
		t.Errorf("the audit trail holds %q, want the one refused call of a known token", list)
	}
	if text, err := say(as(ctx, "amsel-clinician"), conn, "a"); err != nil || text != "a" {
		t.Fatalf("got %q, %v", text, err)
	}
}

func TestAStoreThatIsDownIsNotABadToken(t *testing.T) {
	o := testOptions(&echo{})
	o.Tokens = finder{fail: store.ErrUnavailable}
	_, conn := start(t, o)
	_, err := say(as(t.Context(), "amsel-clinician"), conn, "a")
	wantCode(t, err, codes.Unavailable)
}

func TestAnAddressThatGuessesTokensIsPutOff(t *testing.T) {
	_, conn := start(t, testOptions(&echo{}))
	for range BadTokensBurst {
		_, err := say(as(t.Context(), "guess"), conn, "a")
		wantCode(t, err, codes.Unauthenticated)
	}
	_, err := say(as(t.Context(), "guess"), conn, "a")
	wantCode(t, err, codes.ResourceExhausted)
}

func TestWhoGuessesThroughTheDeskPutsOffNobodyElseThere(t *testing.T) {
	s, _ := start(t, testOptions(&echo{}))
	conn, err := grpc.NewClient("passthrough:", grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return s.Inside()(ctx) }))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close() })
	for range 2 * BadTokensBurst {
		_, err := say(as(t.Context(), "guess"), conn, "a")
		wantCode(t, err, codes.Unauthenticated)
	}
	if _, err := say(as(t.Context(), "amsel-clinician"), conn, "a"); err != nil {
		t.Errorf("a colleague behind the same desk: %v", err)
	}
}

func TestATokenThatCallsTooOftenIsToldWhenToComeBack(t *testing.T) {
	o := testOptions(&echo{})
	o.CallsPerSecond, o.CallsBurst = 0.01, 2
	_, conn := start(t, o)
	ctx := as(t.Context(), "amsel-clinician")
	for range 2 {
		if _, err := say(ctx, conn, "a"); err != nil {
			t.Fatal(err)
		}
	}
	_, err := say(ctx, conn, "a")
	wantCode(t, err, codes.ResourceExhausted)
	if !strings.Contains(detailsOf(err), "retry_delay") {
		t.Errorf("details %s, want a retry delay", detailsOf(err))
	}
}

func TestAPanicIsAnAnswerAndNotTheEndOfTheServer(t *testing.T) {
	_, conn := start(t, testOptions(&echo{say: func(_ context.Context, text string) (string, error) {
		if text == "fall" {
			panic("of patient Greta Invented") // must not reach the caller
		}
		return text, nil
	}}))
	ctx := as(t.Context(), "amsel-clinician")
	_, err := say(ctx, conn, "fall")
	wantCode(t, err, codes.Internal)
	if strings.Contains(err.Error()+detailsOf(err), "Greta") {
		t.Fatalf("the answer repeats what was panicked with: %v", err)
	}
	if _, err := say(ctx, conn, "on"); err != nil {
		t.Fatalf("after a panic: %v", err)
	}
}

func TestAnUnknownErrorShowsNothingOfItself(t *testing.T) {
	_, conn := start(t, testOptions(&echo{say: func(context.Context, string) (string, error) {
		return "", errors.New("pq: duplicate key (label)=(Greta Invented) SQLSTATE 23505")
	}}))
	_, err := say(as(t.Context(), "amsel-clinician"), conn, "a")
	wantCode(t, err, codes.Internal)
	for _, secret := range []string{"Greta", "SQLSTATE", "23505", "pq:"} {
		if strings.Contains(err.Error()+detailsOf(err), secret) {
			t.Errorf("the answer shows %q: %v", secret, err)
		}
	}
}

func TestWhatAHandlerWrapsAroundAFaultIsNotShown(t *testing.T) {
	_, conn := start(t, testOptions(&echo{say: func(context.Context, string) (string, error) {
		return "", fmt.Errorf("case of Greta Invented: %w", fault.NotFound(vw.ErrorReason_ERROR_REASON_CASE_NOT_FOUND, "practices/amsel/cases/c1"))
	}}))
	_, err := say(as(t.Context(), "amsel-clinician"), conn, "a")
	wantCode(t, err, codes.NotFound)
	if strings.Contains(err.Error()+detailsOf(err), "Greta") || !strings.Contains(detailsOf(err), "CASE_NOT_FOUND") {
		t.Errorf("got %v with %s", err, detailsOf(err))
	}
}

func TestAStoreThatGaveUpIsToldByTheOneMapping(t *testing.T) {
	_, conn := start(t, testOptions(&echo{say: func(context.Context, string) (string, error) { return "", store.ErrStaleEtag }}))
	_, err := say(as(t.Context(), "amsel-clinician"), conn, "a")
	wantCode(t, err, codes.Aborted)
	if !strings.Contains(detailsOf(err), "ETAG_MISMATCH") {
		t.Errorf("details %s", detailsOf(err))
	}
}

func TestARequestBeyondTheLimitIsRefused(t *testing.T) {
	_, conn := start(t, testOptions(&echo{}))
	ctx := as(t.Context(), "amsel-clinician")
	_, err := say(ctx, conn, strings.Repeat("x", 50<<20))
	wantCode(t, err, codes.ResourceExhausted)
	if _, err := say(ctx, conn, strings.Repeat("x", MaxRequestBytes/2)); err != nil {
		t.Fatal(err)
	}
}

func TestTheHandlerMustAnswerBeforeTheCallersDeadline(t *testing.T) {
	var left time.Duration
	_, conn := start(t, testOptions(&echo{say: func(ctx context.Context, text string) (string, error) {
		deadline, ok := ctx.Deadline()
		if !ok {
			return "", errors.New("no deadline")
		}
		left = time.Until(deadline)
		return text, nil
	}}))
	ctx := as(t.Context(), "amsel-clinician")
	for _, c := range []struct {
		ask, most, least time.Duration
	}{
		{0, DefaultDeadline, DefaultDeadline - time.Second},
		{time.Hour, LongestDeadline, LongestDeadline - time.Second},
		{2 * time.Second, 2*time.Second - HeldBack, time.Second},
	} {
		asked := ctx
		if c.ask > 0 {
			var cancel context.CancelFunc
			asked, cancel = context.WithTimeout(ctx, c.ask)
			defer cancel()
		}
		if _, err := say(asked, conn, "a"); err != nil {
			t.Fatal(err)
		}
		if left > c.most || left < c.least {
			t.Errorf("asked for %v: the handler had %v, want %v to %v", c.ask, left, c.least, c.most)
		}
	}
}

func TestHealthTellsWhatTheStoreSays(t *testing.T) {
	var mu sync.Mutex
	var down error
	o := testOptions(&echo{})
	o.Probe = func(context.Context) error {
		mu.Lock()
		defer mu.Unlock()
		return down
	}
	s, conn := start(t, o)
	check := func(service string) healthpb.HealthCheckResponse_ServingStatus {
		reply, err := healthpb.NewHealthClient(conn).Check(t.Context(), &healthpb.HealthCheckRequest{Service: service})
		if err != nil {
			t.Fatal(err)
		}
		return reply.GetStatus()
	}
	for _, service := range []string{"", "visitwright.test.Echo"} {
		if got := check(service); got != healthpb.HealthCheckResponse_SERVING {
			t.Errorf("%q is %v, want SERVING", service, got)
		}
	}
	mu.Lock()
	down = store.ErrUnavailable
	mu.Unlock()
	s.health.ask(t.Context())
	for _, service := range []string{"", "visitwright.test.Echo"} {
		if got := check(service); got != healthpb.HealthCheckResponse_NOT_SERVING {
			t.Errorf("%q is %v with the store down, want NOT_SERVING", service, got)
		}
	}
	if got := check(LivenessService); got != healthpb.HealthCheckResponse_SERVING {
		t.Errorf("the process is %v with the store down, want SERVING", got)
	}
}

func TestAStreamIsGuardedLikeACall(t *testing.T) {
	_, conn := start(t, testOptions(&echo{watch: func(stream grpc.ServerStream) error {
		request := new(wrapperspb.StringValue)
		if err := stream.RecvMsg(request); err != nil {
			return err
		}
		return stream.SendMsg(request)
	}}))
	watch := func(ctx context.Context) error {
		stream, err := conn.NewStream(ctx, &grpc.StreamDesc{ServerStreams: true}, watchMethod)
		if err != nil {
			return err
		}
		if err := stream.SendMsg(wrapperspb.String("a")); err != nil {
			return err
		}
		if err := stream.CloseSend(); err != nil {
			return err
		}
		return stream.RecvMsg(new(wrapperspb.StringValue))
	}
	wantCode(t, watch(as(t.Context(), "amsel-reception")), codes.PermissionDenied)
	if err := watch(as(t.Context(), "amsel-clinician")); err != nil {
		t.Fatal(err)
	}
}

func TestStoppingWaitsForACallUnderWay(t *testing.T) {
	entered, leave := make(chan struct{}), make(chan struct{})
	s, err := Start(testOptions(&echo{say: func(_ context.Context, text string) (string, error) {
		close(entered)
		<-leave
		return text, nil
	}}))
	if err != nil {
		t.Fatal(err)
	}
	conn, err := grpc.NewClient(s.Address(), grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close() }()
	answered := make(chan error, 1)
	go func() {
		_, err := say(as(context.Background(), "amsel-clinician"), conn, "a")
		answered <- err
	}()
	<-entered
	stopped := make(chan struct{})
	go func() { s.Stop(); close(stopped) }()
	close(leave)
	if err := <-answered; err != nil {
		t.Errorf("the call under way was cut off: %v", err)
	}
	<-stopped
}

func TestAWatchEndsWhenTheServerBeginsToStop(t *testing.T) {
	stopping, entered := make(chan struct{}), make(chan struct{})
	o := testOptions(&echo{watch: func(stream grpc.ServerStream) error {
		close(entered)
		select {
		case <-stopping:
			return nil
		case <-stream.Context().Done():
			return stream.Context().Err()
		}
	}})
	o.Draining = func() { close(stopping) }
	s, err := Start(o)
	if err != nil {
		t.Fatal(err)
	}
	conn, err := grpc.NewClient(s.Address(), grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close() }()
	stream, err := conn.NewStream(as(t.Context(), "amsel-clinician"), &grpc.StreamDesc{ServerStreams: true}, watchMethod)
	if err != nil {
		t.Fatal(err)
	}
	<-entered
	s.Stop()
	if err := stream.RecvMsg(new(wrapperspb.StringValue)); !errors.Is(err, io.EOF) {
		t.Errorf("the watch ended with %v, want its end", err)
	}
}

func TestStoppingDoesNotWaitForEver(t *testing.T) {
	entered := make(chan struct{})
	o := testOptions(&echo{watch: func(stream grpc.ServerStream) error {
		close(entered)
		<-stream.Context().Done() // a watch ends only when its caller leaves
		return stream.Context().Err()
	}})
	o.Grace = 50 * time.Millisecond
	s, err := Start(o)
	if err != nil {
		t.Fatal(err)
	}
	conn, err := grpc.NewClient(s.Address(), grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close() }()
	if _, err := conn.NewStream(as(t.Context(), "amsel-clinician"), &grpc.StreamDesc{ServerStreams: true}, watchMethod); err != nil {
		t.Fatal(err)
	}
	<-entered
	s.Stop()
	if _, err := net.DialTimeout("tcp", s.Address(), time.Second); err == nil {
		t.Error("the port still answers after Stop")
	}
}

// detailsOf is the text of an error's details.
func detailsOf(err error) string {
	var text strings.Builder
	for _, detail := range status.Convert(err).Details() {
		if m, ok := detail.(interface{ String() string }); ok {
			text.WriteString(m.String() + "\n")
		}
	}
	return text.String()
}
