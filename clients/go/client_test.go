package client

import (
	"context"
	"encoding/json"
	"errors"
	"net"
	"os"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"go.uber.org/goleak"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/grpc/test/bufconn"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/known/durationpb"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

func TestMain(m *testing.M) { goleak.VerifyTestMain(m) }

// practice answers CreateCase as its function says and keeps what it was sent.
type practice struct {
	vw.UnimplementedPlannerServiceServer
	answer func(attempt int) error

	mu         sync.Mutex
	ids        []string
	token      []string
	unattended []string
	left       time.Duration
}

func (p *practice) CreateCase(ctx context.Context, r *vw.CreateCaseRequest) (*vw.Case, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.ids = append(p.ids, r.GetRequestId())
	md, _ := metadata.FromIncomingContext(ctx)
	p.token, p.unattended = md.Get("authorization"), md.Get("visitwright-unattended")
	if deadline, ok := ctx.Deadline(); ok {
		p.left = time.Until(deadline)
	}
	if p.answer != nil {
		if err := p.answer(len(p.ids)); err != nil {
			return nil, err
		}
	}
	return &vw.Case{Name: "practices/nowhere/cases/c1"}, nil
}

func serve(t *testing.T, p *practice, o Options) *Client {
	t.Helper()
	pipe := bufconn.Listen(64 << 10)
	s := grpc.NewServer()
	vw.RegisterPlannerServiceServer(s, p)
	go func() { _ = s.Serve(pipe) }()
	t.Cleanup(s.Stop)
	o.Dial = func(ctx context.Context) (net.Conn, error) { return pipe.DialContext(ctx) }
	c, err := Connect("", o)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = c.Close() })
	return c
}

// One client serves the sessions of many people, and asks by itself without
// keeping one alive.
func TestACallCarriesTheTokenOfItsOwnContext(t *testing.T) {
	p := &practice{}
	c := serve(t, p, Options{})
	for token, want := range map[string]string{"vws1.a": "Bearer vws1.a", "": ""} {
		ctx := t.Context()
		if token != "" {
			ctx = Unattended(WithToken(ctx, token))
		}
		if _, err := c.Planner.CreateCase(ctx, &vw.CreateCaseRequest{}); err != nil {
			t.Fatal(err)
		}
		if got := strings.Join(p.token, " "); got != want || (len(p.unattended) > 0) != (token != "") {
			t.Errorf("%q sent %q, unattended %v", token, got, p.unattended)
		}
	}
	other := serve(t, p, Options{Token: "vw1.own"})
	if _, err := other.Planner.CreateCase(WithToken(t.Context(), "vws1.b"), &vw.CreateCaseRequest{}); err != nil || p.token[0] != "Bearer vws1.b" || len(p.token) != 1 {
		t.Errorf("sent %v, %v", p.token, err)
	}
}

func TestEveryCallHasADeadlineAndTheToken(t *testing.T) {
	p := &practice{}
	c := serve(t, p, Options{Token: "vw_1"})
	if _, err := c.Planner.CreateCase(t.Context(), &vw.CreateCaseRequest{}); err != nil {
		t.Fatal(err)
	}
	if p.left <= 0 || p.left > DefaultDeadline {
		t.Errorf("the service saw %v left, want up to %v", p.left, DefaultDeadline)
	}
	if len(p.token) != 1 || p.token[0] != "Bearer vw_1" {
		t.Errorf("the service saw the token %q", p.token)
	}
}

func TestACallersOwnDeadlineIsKept(t *testing.T) {
	p := &practice{}
	c := serve(t, p, Options{})
	ctx, cancel := context.WithTimeout(t.Context(), 2*time.Second)
	defer cancel()
	if _, err := c.Planner.CreateCase(ctx, &vw.CreateCaseRequest{}); err != nil {
		t.Fatal(err)
	}
	if p.left > 2*time.Second {
		t.Errorf("the service saw %v left, want at most 2s", p.left)
	}
}

func TestAWriteThatWasNotTakenIsRepeatedWithTheSameRequestID(t *testing.T) {
	p := &practice{answer: func(attempt int) error {
		if attempt < 3 {
			return status.Error(codes.Unavailable, "starting")
		}
		return nil
	}}
	c := serve(t, p, Options{})
	request := &vw.CreateCaseRequest{}
	if _, err := c.Planner.CreateCase(t.Context(), request); err != nil {
		t.Fatal(err)
	}
	if len(p.ids) != 3 || p.ids[0] == "" || p.ids[0] != p.ids[1] || p.ids[1] != p.ids[2] {
		t.Errorf("request ids of the attempts: %q, want the same three times", p.ids)
	}
	if request.GetRequestId() != "" {
		t.Error("the caller's message was changed")
	}
}

func TestTwoWritesHaveTwoRequestIDs(t *testing.T) {
	p := &practice{}
	c := serve(t, p, Options{})
	for range 2 {
		if _, err := c.Planner.CreateCase(t.Context(), &vw.CreateCaseRequest{}); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := c.Planner.CreateCase(t.Context(), &vw.CreateCaseRequest{RequestId: "mine"}); err != nil {
		t.Fatal(err)
	}
	if p.ids[0] == p.ids[1] || p.ids[2] != "mine" {
		t.Errorf("request ids %q: want two different ones, then the caller's own", p.ids)
	}
}

func TestARefusalIsNotRepeated(t *testing.T) {
	p := &practice{answer: func(int) error { return status.Error(codes.DeadlineExceeded, "too slow") }}
	c := serve(t, p, Options{})
	if _, err := c.Planner.CreateCase(t.Context(), &vw.CreateCaseRequest{}); err == nil {
		t.Fatal("want a refusal")
	}
	if len(p.ids) != 1 {
		t.Errorf("%d attempts, want 1", len(p.ids))
	}
}

func TestARefusalComesBackWithReasonFieldsAndWait(t *testing.T) {
	s, err := status.New(codes.InvalidArgument, "two findings cannot both be true").WithDetails(
		&errdetails.ErrorInfo{Reason: "CONTRADICTORY_EVIDENCE", Domain: "visitwright", Metadata: map[string]string{"sign": "film-count"}},
		&errdetails.BadRequest{FieldViolations: []*errdetails.BadRequest_FieldViolation{{Field: "findings.evidence[0]", Description: "want a count that the located canals allow"}}},
		&errdetails.RetryInfo{RetryDelay: durationpb.New(3 * time.Second)},
		&errdetails.RequestInfo{RequestId: "call-1"},
		&errdetails.PreconditionFailure{Violations: []*errdetails.PreconditionFailure_Violation{{Type: "T", Subject: "S", Description: "D"}}},
	)
	if err != nil {
		t.Fatal(err)
	}
	c := serve(t, &practice{answer: func(int) error { return s.Err() }}, Options{})
	_, err = c.Planner.CreateCase(t.Context(), &vw.CreateCaseRequest{})
	var refused *Error
	if !errors.As(err, &refused) {
		t.Fatalf("got %T, want *Error", err)
	}
	if refused.Code != codes.InvalidArgument || status.Code(err) != codes.InvalidArgument {
		t.Errorf("code %v and %v", refused.Code, status.Code(err))
	}
	if refused.Reason != "CONTRADICTORY_EVIDENCE" || ReasonOf(err) != refused.Reason || refused.Metadata["sign"] != "film-count" {
		t.Errorf("reason %q, metadata %v", refused.Reason, refused.Metadata)
	}
	if len(refused.Fields) != 1 || refused.Fields[0].Field != "findings.evidence[0]" {
		t.Errorf("fields %v", refused.Fields)
	}
	if refused.RetryAfter != 3*time.Second || refused.Call != "call-1" || len(refused.State) != 1 || refused.State[0].Wrong != "D" {
		t.Errorf("got %+v", refused)
	}
	if want := "two findings cannot both be true; findings.evidence[0]: want a count that the located canals allow"; err.Error() != want {
		t.Errorf("text %q, want %q", err, want)
	}
}

func TestATokenNeverLeavesThisMachineInTheClear(t *testing.T) {
	for _, target := range []string{"192.0.2.7:7646", "practice.example:7646", "[2001:db8::1]:7646"} {
		if _, err := Connect(target, Options{Token: "vw_1"}); !errors.Is(err, ErrPlaintext) {
			t.Errorf("%s: got %v, want a refusal", target, err)
		}
	}
	if _, err := Connect("nowhere", Options{}); err == nil {
		t.Error("an address without a port was taken")
	}
	for _, target := range []string{"127.0.0.1:1", "[::1]:1", "localhost:1"} {
		c, err := Connect(target, Options{Token: "vw_1"})
		if err != nil {
			t.Errorf("%s: %v", target, err)
			continue
		}
		_ = c.Close()
	}
}

// The retry configuration must name services that exist: grpc-go passes over a
// name that it does not know.
func TestTheServiceConfigurationNamesEveryServiceOfTheContract(t *testing.T) {
	var config struct {
		MethodConfig []struct {
			Name        []struct{ Service string }
			RetryPolicy struct{ RetryableStatusCodes []string }
		}
	}
	if err := json.Unmarshal([]byte(serviceConfig), &config); err != nil {
		t.Fatal(err)
	}
	named := map[string]bool{}
	for _, m := range config.MethodConfig {
		for _, n := range m.Name {
			named[n.Service] = true
		}
		if got := m.RetryPolicy.RetryableStatusCodes; len(got) > 0 && !slices.Equal(got, []string{"UNAVAILABLE"}) {
			t.Errorf("repeats on %v, want UNAVAILABLE only", got)
		}
	}
	protoregistry.GlobalFiles.RangeFilesByPackage("visitwright.v1", func(f protoreflect.FileDescriptor) bool {
		for i := range f.Services().Len() {
			name := string(f.Services().Get(i).FullName())
			if !named[name] {
				t.Errorf("%s is not in the configuration", name)
			}
			delete(named, name)
		}
		return true
	})
	contract, err := os.ReadFile("../../proto/visitwright/v1/service_config.json")
	if err != nil {
		t.Fatal(err)
	}
	if string(contract) != serviceConfig {
		t.Error("the configuration differs from the one that ships with the contract: copy it here")
	}
	for name := range named {
		t.Errorf("the configuration names %s, which the contract does not have", name)
	}
}
