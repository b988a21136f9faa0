package planner_test

import (
	"context"
	"errors"
	"net"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"buf.build/go/protovalidate"
	"github.com/google/uuid"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"
	"google.golang.org/grpc/status"
	"google.golang.org/grpc/test/bufconn"
	"google.golang.org/protobuf/proto"

	"github.com/visitwright/visitwright/planner"
	"github.com/visitwright/visitwright/proto/fault"
	"github.com/visitwright/visitwright/proto/requests"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
	"github.com/visitwright/visitwright/store/pgtest"
)

// The invented practices of these tests.
const (
	ours   = "practices/willow-lane"
	theirs = "practices/harbour-steps"
)

// tuesday is an ordinary Tuesday morning; the clock moves only when told.
var tuesday = time.Date(2026, 3, 3, 8, 0, 0, 0, time.UTC)

// clock is injected into store and service.
type clock struct {
	mu sync.Mutex
	at time.Time
}

func (c *clock) now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.at
}

func (c *clock) advance(d time.Duration) {
	c.mu.Lock()
	defer c.mu.Unlock()
	c.at = c.at.Add(d)
}

// bench is the service over a connection in memory, on a SQLite file.
type bench struct {
	*testing.T
	vw.PlannerServiceClient

	chair   vw.ChairServiceClient
	doctors map[string]string // names of clinicians by the word that a test has for them
	store   *store.Store
	clock   *clock
}

// wrap lets a test stand between service and store.
type wrap func(store.Planning) store.Planning

func newBench(t *testing.T, wraps ...wrap) *bench {
	t.Helper()
	return newBenchOn(t, filepath.Join(t.TempDir(), "test.db"), wraps...)
}

// databases are the two kinds of database, each as the address of an empty one.
var databases = map[string]func(*testing.T) string{
	"SQLite": func(t *testing.T) string { return filepath.Join(t.TempDir(), "test.db") },
	"PostgreSQL": func(t *testing.T) string {
		owner, _ := pgtest.New(t, func(url string) error {
			s, err := store.Open(context.Background(), store.Config{Database: url, Keys: worthlessKeys()})
			if err != nil {
				return err
			}
			return s.Close()
		})
		return owner
	},
}

// worthlessKeys are known to everybody.
func worthlessKeys() *store.Keys {
	keys, err := store.ParseKeys([]byte("key 1 " + strings.Repeat("A", 43) + "="))
	if err != nil {
		panic(err) // the line above is wrong
	}
	return keys
}

func newBenchOn(t *testing.T, database string, wraps ...wrap) *bench {
	t.Helper()
	b := &bench{T: t, clock: &clock{at: tuesday}}
	var err error
	b.store, err = store.Open(t.Context(), store.Config{
		Database: database, Keys: worthlessKeys(), Clock: b.clock.now, ReadAudit: store.AuditReadsFirst, NoSync: true})
	b.must(err)
	t.Cleanup(func() { b.must(b.store.Close()) })
	for _, p := range []string{ours, theirs} {
		_, err = b.store.CreatePractice(t.Context(), store.NewPractice{ID: strings.TrimPrefix(p, "practices/"), Name: "Practice", Zone: "Europe/Vienna",
			Tokens: []store.Token{{ID: "first", Role: store.RoleManager, Hash: [32]byte{1}}}})
		b.must(err)
	}
	var kept store.Planning = b.store
	for _, w := range wraps {
		kept = w(kept)
	}
	service, err := planner.New(planner.Config{Store: kept, Chair: b.store, Caller: callerOf, PageKey: make([]byte, 32), Now: b.clock.now,
		Info: planner.Info{Version: "test", RequestBytes: 1 << 20, LongestDeadline: time.Minute, DefaultDeadline: 10 * time.Second}})
	b.must(err)
	t.Cleanup(service.Close)
	pipe := bufconn.Listen(1 << 20)
	server := grpc.NewServer(grpc.MaxRecvMsgSize(1<<20), grpc.UnaryInterceptor(validate))
	service.Register(server)
	go func() { _ = server.Serve(pipe) }()
	t.Cleanup(server.Stop)
	conn, err := grpc.NewClient("passthrough:planner", grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return pipe.DialContext(ctx) }))
	b.must(err)
	t.Cleanup(func() { _ = conn.Close() })
	b.PlannerServiceClient = vw.NewPlannerServiceClient(conn)
	b.chair = vw.NewChairServiceClient(conn)
	return b
}

// validate stands for the server's chain: shape first, and what nobody knows
// is hidden.
func validate(ctx context.Context, request any, _ *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (any, error) {
	if err := fault.FromValidation(protovalidate.Validate(request.(proto.Message))); err != nil {
		return nil, err
	}
	reply, err := handler(ctx, request)
	var known *fault.Fault
	if err != nil && !errors.As(err, &known) {
		return nil, status.Error(codes.Internal, "hidden: "+err.Error()) // the text helps the test's reader
	}
	return reply, err
}

// callerOf is who calls, as the test says.
func callerOf(ctx context.Context) (requests.Caller, bool) {
	md, _ := metadata.FromIncomingContext(ctx)
	get := func(key string) string { return strings.Join(md.Get(key), "") }
	method, _ := grpc.Method(ctx)
	return requests.Caller{Clinician: get("clinician"), Call: store.Call{
		Practice: get("practice"), Role: store.Role(get("role")), Actor: "tok-" + get("role"), Method: method}}, get("practice") != ""
}

// as is a context of somebody of our practice.
func (b *bench) as(role store.Role) context.Context { return b.of(ours, role) }

func (b *bench) of(practice string, role store.Role) context.Context {
	ctx, cancel := context.WithTimeout(b.Context(), 20*time.Second)
	b.Cleanup(cancel)
	return metadata.AppendToOutgoingContext(ctx, "practice", strings.TrimPrefix(practice, "practices/"), "role", string(role))
}

func (b *bench) clinician() context.Context { return b.as(store.RoleClinician) }

func (b *bench) must(err error) {
	b.Helper()
	if err != nil {
		b.Fatalf("%v %v", err, status.Convert(err).Details())
	}
}

// refused checks that an error has its code and reason, and returns the fields
// that it names.
func (b *bench) refused(err error, code codes.Code, reason string) map[string]string {
	b.Helper()
	fields := map[string]string{}
	got := ""
	for _, d := range status.Convert(err).Details() {
		switch d := d.(type) {
		case *errdetails.ErrorInfo:
			got = d.GetReason()
		case *errdetails.BadRequest:
			for _, v := range d.GetFieldViolations() {
				fields[v.GetField()] = v.GetDescription()
			}
		}
	}
	if status.Code(err) != code || got != reason {
		b.Errorf("got %v (%s), want %v %s", err, got, code, reason)
	}
	return fields
}

// names checks that a refusal names one field and says what would be right.
func (b *bench) names(fields map[string]string, field, want string) {
	b.Helper()
	if !strings.Contains(fields[field], want) {
		b.Errorf("said %q, want field %s with %q", fields, field, want)
	}
}

func id() string { return uuid.NewString() }

func (b *bench) patient(reference string) *vw.Patient {
	b.Helper()
	p, err := b.CreatePatient(b.clinician(), &vw.CreatePatientRequest{Parent: ours, Patient: &vw.Patient{
		Reference: reference, Label: proto.String("Lee, A."), Phone: proto.String("+43 660 555 0101"), WeightKg: proto.Float64(70), BirthYear: proto.Int32(1980),
		Alerts: []*vw.Alert{{Kind: "latex"}}}})
	b.must(err)
	return p
}

// molar opens the main case of these tests: 46, necrotic with an apical lesion.
func (b *bench) molar(patient *vw.Patient) *vw.Case {
	b.Helper()
	c, err := b.CreateCase(b.clinician(), &vw.CreateCaseRequest{Parent: ours, Case: &vw.Case{
		Patient: patient.GetName(), Tooth: &vw.Tooth{Iso: "46"}, Diagnosis: &vw.Diagnosis{Pulpal: "necrosis", Apical: "asymptomatic-apical-periodontitis"}}})
	b.must(err)
	return c
}

// findings of the main case: narrow mesial canals, a canal that disappears
// mid-root.
func findings() *vw.Findings {
	return &vw.Findings{
		Answers: []*vw.Answer{
			{Criterion: "root-curvature", Answer: "10-to-30"}, {Criterion: "canal-appearance", Answer: "visible"}, {Criterion: "crown-form", Answer: "normal"},
			{Criterion: "periodontal-condition", Answer: "sound"}, {Criterion: "tilt", Answer: "under-10"},
		},
		Evidence: []*vw.Evidence{{Sign: "canal-disappears-mid-root"}},
		Factors:  []string{"caries", "narrow-mesial-canals"},
	}
}

func (b *bench) assessed(c *vw.Case) *vw.Assessment {
	b.Helper()
	a, err := b.Assess(b.clinician(), &vw.AssessRequest{Parent: c.GetName(), Findings: findings(), RequestId: id()})
	b.must(err)
	return a
}

func (b *bench) planned(c *vw.Case) *vw.Plan {
	b.Helper()
	p, err := b.ProposePlan(b.clinician(), &vw.ProposePlanRequest{Parent: c.GetName(), RequestId: id(), View: vw.PlanView_PLAN_VIEW_FULL})
	b.must(err)
	return p
}

// doctor keeps a clinician under a word that the test has for them.
func (b *bench) doctor(word string) {
	b.Helper()
	made, err := b.CreateClinician(b.as(store.RoleManager), &vw.CreateClinicianRequest{Parent: ours, Clinician: &vw.Clinician{Title: "Dr " + word}})
	b.must(err)
	if b.doctors == nil {
		b.doctors = map[string]string{}
	}
	b.doctors[word] = made.GetName()
}

// treating is a context of a clinician's own token.
func (b *bench) treating(word string) context.Context {
	name := b.doctors[word]
	return metadata.AppendToOutgoingContext(b.clinician(), "clinician", name[strings.LastIndex(name, "/")+1:])
}
