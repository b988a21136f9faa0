package store_test

import (
	"bufio"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math/rand/v2"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/visitwright/visitwright/store"
	"github.com/visitwright/visitwright/store/pgtest"
	"github.com/visitwright/visitwright/store/storetest"
)

// writerEnv makes this test binary the writer that gets killed: it holds the
// address of the database.
const writerEnv = "VISITWRIGHT_TEST_WRITER"

var killCall = store.Call{Practice: "willow-lane", Actor: "t", Role: store.RoleReception, Method: "/test/Kill"}

func sqliteURL(path string) string {
	return "file:" + (&url.URL{Path: path}).EscapedPath() + "?_pragma=busy_timeout(5000)"
}

// runWriter keeps patients, each with a booking of two visits, until it is
// killed. A line on standard output acknowledges one: patient and booking.
func runWriter() int {
	keys, err := store.ParseKeys([]byte("key 1 AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA="))
	if err != nil {
		return 1
	}
	ctx := context.Background()
	s, err := store.Open(ctx, store.Config{Database: os.Getenv(writerEnv), Keys: keys, Clock: storetest.NewClock().Now})
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	setup, err := s.ReadSetup(ctx, killCall)
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	room := setup.Resources[0].ResourceRef
	last, err := s.LastChange(ctx, killCall)
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	for i := last; ; i++ { // each booking has days of its own
		p, b, err := writeOne(ctx, s, room, fmt.Sprintf("%d-%d", os.Getpid(), i), i)
		if err != nil {
			fmt.Fprintln(os.Stderr, err)
			return 1
		}
		fmt.Println(p, b)
	}
}

// writeOne keeps a patient and a booking of two visits on day n, with request
// ids: a second try of the same finds the first.
func writeOne(ctx context.Context, s *store.Store, room store.ResourceRef, reference string, n int64) (patient, booking string, err error) {
	call := killCall
	call.RequestID, call.RequestHash = reference, store.HashRequest([]byte(reference))
	p, err := s.CreatePatient(ctx, call, store.Patient{Reference: reference, Contact: store.Contact{Label: "Some One"}})
	if err != nil {
		return "", "", err
	}
	var b store.NewBooking
	b.PatientID = p.ID
	for visit := range 2 {
		from := storetest.Start.AddDate(0, 0, int(n)%20000).Add(time.Duration(visit) * time.Hour)
		b.Visits = append(b.Visits, store.NewVisit{Place: store.Place{Start: from, End: from.Add(time.Hour),
			Spans: []store.Span{{ResourceRef: room, Start: from, End: from.Add(time.Hour)}}}})
	}
	call.Method += "Book"
	got, err := s.BookOffer(ctx, call, b)
	return p.ID, got.ID, err
}

// halfWritten counts what must never be there alone.
var halfWritten = []string{
	`SELECT count(*) FROM patients p WHERE NOT EXISTS (SELECT 1 FROM patient_words w WHERE w.patient_id = p.id)`,
	`SELECT count(*) FROM patients p WHERE NOT EXISTS (SELECT 1 FROM requests r WHERE r.request_id = p.reference)`,
	`SELECT count(*) FROM patients p WHERE NOT EXISTS (SELECT 1 FROM audit a WHERE a.resource = 'patients/' || p.id)`,
	`SELECT count(*) FROM changes c WHERE kind = 'patient.created' AND NOT EXISTS (SELECT 1 FROM patients p WHERE c.resource = 'patients/' || p.id)`,
	`SELECT count(*) FROM (SELECT booking FROM appointments GROUP BY booking HAVING count(*) <> 2) AS half`,
	`SELECT count(*) FROM appointments a WHERE (SELECT count(*) FROM spans s WHERE s.appointment_id = a.id) <> 2`, // room and patient
	`SELECT count(*) FROM appointments a WHERE NOT EXISTS (SELECT 1 FROM diary_days d WHERE d.day = a.start_us / 86400000000)`,
}

func prepareKill(t *testing.T, s *store.Store) store.ResourceRef {
	t.Helper()
	storetest.CreatePractice(t, s, "willow-lane")
	room, err := s.PutResource(t.Context(), killCall, store.Resource{ResourceRef: store.ResourceRef{Kind: store.KindRoom}, Name: "One", Active: true})
	if err != nil {
		t.Fatal(err)
	}
	return room.ResourceRef
}

func checkKept(t *testing.T, s *store.Store, db *sql.DB, acknowledged map[string]bool) {
	t.Helper()
	for line := range acknowledged {
		patient, booking, _ := strings.Cut(line, " ")
		if _, err := s.GetPatient(t.Context(), killCall, patient); err != nil {
			t.Errorf("a patient was acknowledged and is gone: %v", err)
		}
		if b, err := s.GetBooking(t.Context(), killCall, booking); err != nil || len(b.Appointments) != 2 {
			t.Errorf("a booking was acknowledged and has %d visits: %v", len(b.Appointments), err)
		}
	}
	for _, q := range halfWritten {
		var n int
		if err := db.QueryRow(q).Scan(&n); err != nil || n != 0 {
			t.Errorf("%s: %d half-written, %v", q, n, err)
		}
	}
	if broken, err := s.VerifyAudit(t.Context(), killCall); err != nil || broken != nil {
		t.Errorf("the audit trail breaks at %+v, %v", broken, err)
	}
}

// killWriters starts a writer again and again and kills it in mid-write. It
// returns what was acknowledged.
func killWriters(t *testing.T, database string, kills int) map[string]bool {
	t.Helper()
	acknowledged := map[string]bool{}
	for range kills {
		cmd := exec.CommandContext(t.Context(), os.Args[0])
		cmd.Env = append(os.Environ(), writerEnv+"="+database)
		cmd.Stderr = os.Stderr
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		lines := bufio.NewScanner(out)
		die := 1 + rand.IntN(30) // so many acknowledgements, then death at some point of the next
		var timer *time.Timer
		for n := 0; lines.Scan(); n++ {
			acknowledged[lines.Text()] = true
			if n == die {
				timer = time.AfterFunc(time.Duration(rand.IntN(3000))*time.Microsecond, func() { _ = cmd.Process.Signal(syscall.SIGKILL) })
			}
		}
		_ = cmd.Wait() // killed
		if timer == nil {
			t.Fatal("the writer ended by itself")
		}
		timer.Stop()
	}
	return acknowledged
}

// A process that is killed in mid-write loses nothing that it acknowledged and
// leaves nothing half-written.
func TestAKilledWriterOnAFileLosesNothingAcknowledged(t *testing.T) {
	path := filepath.Join(t.TempDir(), "kill.db")
	s := storetest.OpenPlace(t, storetest.Place{Database: path}, storetest.NewClock())
	prepareKill(t, s)
	acknowledged := killWriters(t, path, 8)
	db := sqliteBackendAt(t, path)
	checkKept(t, s, db, acknowledged)
	var ok string
	if err := db.QueryRow(`PRAGMA integrity_check`).Scan(&ok); err != nil || ok != "ok" {
		t.Errorf("integrity: %s %v", ok, err)
	}
}

func TestAKilledReplicaOnPostgreSQLLosesNothingAcknowledged(t *testing.T) {
	url, super := pgtest.New(t, migrate)
	s := storetest.OpenPlace(t, storetest.Place{Database: url}, storetest.NewClock())
	prepareKill(t, s)
	acknowledged := killWriters(t, url, 5)
	checkKept(t, s, openRaw(t, super), acknowledged)
}

// When PostgreSQL itself dies and comes back, clients that retry with the same
// request id get each thing done once.
func TestAKilledPostgreSQLLosesNothingAcknowledged(t *testing.T) {
	server, err := pgtest.Start(pgtest.Options{Durable: true})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(server.Close)
	if err := server.CreateDatabase("kill", ""); err != nil {
		t.Fatal(err)
	}
	s := storetest.OpenPlace(t, storetest.Place{Database: server.URL("kill")}, storetest.NewClock())
	room := prepareKill(t, s)
	const clients, each, kills = 4, 25, 2
	var mu sync.Mutex
	acknowledged := map[string]bool{}
	unknown := 0
	enough := make(chan struct{}, clients*each)
	var wg sync.WaitGroup
	for c := range clients {
		wg.Go(func() {
			for i := range each {
				reference := fmt.Sprintf("%d-%d", c, i)
				for {
					p, b, err := writeOne(t.Context(), s, room, reference, int64(c*each+i))
					if err == nil {
						mu.Lock()
						acknowledged[p+" "+b] = true
						mu.Unlock()
						enough <- struct{}{}
						break
					}
					if !errors.Is(err, store.ErrUnavailable) && !errors.Is(err, store.ErrBusy) {
						t.Errorf("client %d: %v", c, err)
						return
					}
					mu.Lock()
					unknown++
					mu.Unlock()
				}
			}
		})
	}
	for range kills {
		for range clients * each / (kills + 2) {
			<-enough
		}
		server.Kill()
		if err := server.Run(); err != nil {
			t.Fatal(err)
		}
	}
	wg.Wait()
	if len(acknowledged) != clients*each {
		t.Errorf("%d acknowledged, want %d", len(acknowledged), clients*each)
	}
	if unknown == 0 {
		t.Error("no client noticed that the database died")
	}
	db := openRaw(t, server.SuperURL("kill"))
	checkKept(t, s, db, acknowledged)
	var n int
	if err := db.QueryRow(`SELECT count(*) FROM appointments`).Scan(&n); err != nil || n != 2*clients*each {
		t.Errorf("%d appointments, want each booking's two once: %d; %v", n, 2*clients*each, err)
	}
}

func openRaw(t *testing.T, url string) *sql.DB {
	t.Helper()
	db, err := sql.Open("postgres", url)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = db.Close() })
	return db
}
