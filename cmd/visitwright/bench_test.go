package main

import (
	"context"
	"io"
	"log/slog"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/jmoiron/sqlx"
	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	"github.com/visitwright/visitwright/clients/cli"
	client "github.com/visitwright/visitwright/clients/go"
	"github.com/visitwright/visitwright/cmd/visitwright/server"
	"github.com/visitwright/visitwright/planner/anatomy"
	"github.com/visitwright/visitwright/planner/difficulty"
	"github.com/visitwright/visitwright/planner/proposal"
	"github.com/visitwright/visitwright/planner/visits"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
	"github.com/visitwright/visitwright/testdata/demo"
)

// bench is the service as `serve` runs it, on the embedded store, with one
// planned case, and a client of it.
type bench struct {
	house   *house
	session *cli.Session
	plan    *vw.Plan
}

func newBench(b *testing.B) *bench {
	b.Helper()
	return newBenchOn(b, "")
}

// newBenchOn is the same on a database elsewhere.
func newBenchOn(b *testing.B, database string) *bench {
	b.Helper()
	w := &where{Data: b.TempDir(), Database: database}
	// The log is written as in production, to nowhere.
	log := server.NewLogger(io.Discard, slog.LevelInfo)
	h, err := openHouse(b.Context(), houseOptions{where: w, now: time.Now, log: log, name: demo.Practice, zone: demo.Zone,
		server: server.Options{Listen: "127.0.0.1:0", CallsPerSecond: 1e9, CallsBurst: 1e6}})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() {
		if err := h.close(); err != nil {
			b.Error(err)
		}
	})
	token, _ := h.credentials.Token(store.RoleClinician)
	c, err := client.Connect(h.server.Address(), client.Options{Token: token})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = c.Close() })
	s := &cli.Session{Context: b.Context(), Client: c, Practice: h.credentials.Practice, Out: io.Discard, Now: time.Now, Kept: true}
	plan, err := cli.PlanFile(s, demo.Case)
	if err != nil {
		b.Fatal(err)
	}
	return &bench{house: h, session: s, plan: plan}
}

// bare is a gRPC server without any chain whose GetCase answers a message that
// is ready, after the SQL of a case when db is set.
type bare struct {
	vw.UnimplementedPlannerServiceServer
	ready *vw.Case
	read  *sqlx.Stmt
	args  []any
}

// caseSQL is the statement that a read of a case costs in the store.
const caseSQL = `SELECT id, patient_id, tooth, clinician, state, protocol, diagnosis, root_development, closing_reason, close_us,
	sealed, external_ids, revision, assessment, row_version, create_us, update_us FROM cases WHERE practice_id = ?1 AND id = ?2`

// The comparison is fair as long as both sides read the same.
func TestTheBareReadCostsTheSQLOfTheStore(t *testing.T) {
	source, err := os.ReadFile("../../store/case_store.go")
	if err != nil {
		t.Fatal(err)
	}
	_, rest, found := strings.Cut(string(source), "const caseColumns = `")
	columns, _, ended := strings.Cut(rest, "`")
	want := strings.Fields("SELECT " + columns + " FROM cases WHERE practice_id = ?1 AND id = ?2")
	if !found || !ended || !slices.Equal(strings.Fields(caseSQL), want) {
		t.Errorf("the store reads a case by\n%s\nthe benchmark by\n%s", strings.Join(want, " "), caseSQL)
	}
}

type caseColumns struct {
	ID              string `db:"id"`
	PatientID       string `db:"patient_id"`
	Tooth           int    `db:"tooth"`
	Clinician       string `db:"clinician"`
	State           string `db:"state"`
	Protocol        string `db:"protocol"`
	Diagnosis       string `db:"diagnosis"`
	RootDevelopment string `db:"root_development"`
	ClosingReason   string `db:"closing_reason"`
	CloseUS         int64  `db:"close_us"`
	Sealed          []byte `db:"sealed"`
	ExternalIDs     string `db:"external_ids"`
	Revision        int    `db:"revision"`
	Assessment      int    `db:"assessment"`
	RowVersion      int64  `db:"row_version"`
	CreateUS        int64  `db:"create_us"`
	UpdateUS        int64  `db:"update_us"`
}

func (s *bare) GetCase(ctx context.Context, _ *vw.GetCaseRequest) (*vw.Case, error) {
	if s.read != nil {
		var row caseColumns
		if err := s.read.GetContext(ctx, &row, s.args...); err != nil {
			return nil, err
		}
	}
	return s.ready, nil
}

// serveBare runs the bare server and returns a client of it: the same client,
// so that both sides pay for deadline, token and typed errors.
func serveBare(b *testing.B, s *bare) *client.Client {
	b.Helper()
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		b.Fatal(err)
	}
	g := grpc.NewServer()
	vw.RegisterPlannerServiceServer(g, s)
	go func() { _ = g.Serve(listener) }()
	b.Cleanup(g.Stop)
	c, err := client.Connect(listener.Addr().String(), client.Options{Token: "vw1.x"})
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = c.Close() })
	return c
}

// BenchmarkReadCase reads one case with the full chain and the access audit on,
// beside a handler that does only its SQL and beside a bare echo of the same
// size.
func BenchmarkReadCase(b *testing.B) {
	x := newBench(b)
	request := &vw.GetCaseRequest{Name: x.plan.GetCase()}
	ready, err := x.session.Client.Planner.GetCase(b.Context(), request)
	if err != nil {
		b.Fatal(err)
	}
	read, err := x.house.store.Pools()["sqlite-readers"].Preparex(caseSQL) //nolint:sqlclosecheck // closed at the end
	if err != nil {
		b.Fatal(err)
	}
	defer func() { _ = read.Close() }()
	sides := []struct {
		name string
		c    *client.Client
	}{
		{"ours", x.session.Client},
		{"only-its-sql", serveBare(b, &bare{ready: ready, read: read, args: []any{x.session.Practice, filepath.Base(ready.GetName())}})},
		{"bare-echo", serveBare(b, &bare{ready: ready})},
	}
	// Call by call in turn, so that whatever else the machine does meets all sides
	// alike: medians, and how much of the SQL-only handler's speed is kept.
	b.Run("in-turn", func(b *testing.B) {
		took := make([][]time.Duration, len(sides))
		for b.Loop() {
			for i, side := range sides {
				began := time.Now()
				if _, err := side.c.Planner.GetCase(b.Context(), request); err != nil {
					b.Fatal(err)
				}
				took[i] = append(took[i], time.Since(began))
			}
		}
		median := make([]float64, len(sides))
		for i := range took {
			slices.Sort(took[i])
			median[i] = float64(took[i][len(took[i])/2])
			b.ReportMetric(median[i], sides[i].name+"-ns")
		}
		b.ReportMetric(100*median[1]/median[0], "%-of-only-its-sql")
	})
	for _, callers := range []struct {
		name string
		n    int
	}{{"one-caller", 1}, {"eight-callers", 8}} {
		for _, side := range sides {
			b.Run(callers.name+"/"+side.name, func(b *testing.B) {
				b.ReportAllocs()
				b.SetBytes(int64(proto.Size(ready)))
				var wg sync.WaitGroup
				for caller := range callers.n {
					wg.Go(func() {
						for i := caller; i < b.N; i += callers.n {
							if _, err := side.c.Planner.GetCase(b.Context(), request); err != nil {
								b.Error(err)
								return
							}
						}
					})
				}
				wg.Wait()
			})
		}
	}
}

// BenchmarkPropose proposes and keeps a plan over gRPC, beside the same asked
// as a preview, beside the computing alone, and beside one write to the disk
// that waits for it.
func BenchmarkPropose(b *testing.B) {
	x := newBench(b)
	for _, side := range []struct {
		name    string
		preview bool
	}{{"ours", false}, {"preview", true}} {
		b.Run(side.name, func(b *testing.B) {
			for b.Loop() {
				_, err := x.session.Client.Planner.ProposePlan(b.Context(), &vw.ProposePlanRequest{Parent: x.plan.GetCase(), ValidateOnly: side.preview})
				if err != nil {
					b.Fatal(err)
				}
			}
		})
	}
	b.Run("computing-alone", func(b *testing.B) {
		m := x.plan.GetWorkings().GetModel()
		input := proposal.Input{
			Tooth: 46, Protocol: "primary-treatment", Diagnosis: "necrotic-lesion", Conditions: []string{"narrow-mesial-canals"},
			Evidence: []anatomy.Evidence{{Sign: anatomy.FilmCount, Count: 3}}, Patient: proposal.Patient{WeightKg: 68, Alerts: []string{"latex"}},
			Clinic: proposal.Clinic{
				Cost:    visits.Cost{Work: m.GetCost().GetWork(), Overrun: m.GetCost().GetOverrun(), Idle: m.GetCost().GetIdle(), Visit: m.GetCost().GetVisit(), Unused: m.GetCost().GetUnused()},
				Grid:    visits.Grid{Least: int(m.GetGrid().GetLeast()), Most: int(m.GetGrid().GetMost()), Step: int(m.GetGrid().GetStep())},
				Horizon: int(m.GetHorizon()), Cap: int(m.GetCapMinutes()), Edition: difficulty.Edition(x.plan.GetAssessment().GetDifficulty().GetEdition()),
			},
		}
		for b.Loop() {
			if _, err := proposal.Propose(input); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("one-fsync", func(b *testing.B) {
		f, err := os.Create(filepath.Join(b.TempDir(), "page"))
		if err != nil {
			b.Fatal(err)
		}
		defer func() { _ = f.Close() }()
		page := make([]byte, 4096)
		for b.Loop() {
			if _, err := f.WriteAt(page, 0); err != nil {
				b.Fatal(err)
			}
			if err := f.Sync(); err != nil {
				b.Fatal(err)
			}
		}
	})
}
