package store_test

import (
	"bufio"
	"context"
	"fmt"
	"math/rand/v2"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"github.com/visitwright/visitwright/store"
	"github.com/visitwright/visitwright/store/storetest"
)

// writerEnv makes this test binary the writer that gets killed: it holds the
// path of the database.
const writerEnv = "VISITWRIGHT_TEST_WRITER"

func sqliteURL(path string) string {
	return "file:" + (&url.URL{Path: path}).EscapedPath() + "?_pragma=busy_timeout(5000)"
}

// runWriter writes patients until it is killed. A line on standard output
// acknowledges one.
func runWriter() int {
	keys, err := store.ParseKeys([]byte("key 1 AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA="))
	if err != nil {
		return 1
	}
	clock := storetest.NewClock()
	s, err := store.Open(context.Background(), store.Config{Database: os.Getenv(writerEnv), Keys: keys, Clock: clock.Now})
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	call := store.Call{Practice: "willow-lane", Actor: "t", Role: store.RoleReception, Method: "/test/Kill"}
	for i := 0; ; i++ {
		call.RequestID = fmt.Sprintf("%d-%d", os.Getpid(), i)
		call.RequestHash = store.HashRequest([]byte(call.RequestID))
		p, err := s.CreatePatient(context.Background(), call, store.Patient{Reference: call.RequestID, Contact: store.Contact{Label: "Some One"}})
		if err != nil {
			fmt.Fprintln(os.Stderr, err)
			return 1
		}
		fmt.Println(p.ID)
	}
}

// A process that is killed in mid-write loses nothing that it acknowledged and
// leaves nothing half-written.
func TestAKilledWriterLosesNothingAcknowledged(t *testing.T) {
	path := filepath.Join(t.TempDir(), "kill.db")
	clock := storetest.NewClock()
	place := storetest.Place{Database: path}
	s := storetest.OpenPlace(t, place, clock)
	storetest.CreatePractice(t, s, "willow-lane")
	call := store.Call{Practice: "willow-lane", Actor: "t", Role: store.RoleReception, Method: "/test/Kill"}
	acknowledged := map[string]bool{}
	const kills = 8
	for range kills {
		cmd := exec.CommandContext(t.Context(), os.Args[0])
		cmd.Env = append(os.Environ(), writerEnv+"="+path)
		cmd.Stderr = os.Stderr
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		lines := bufio.NewScanner(out)
		die := 1 + rand.IntN(60) // so many acknowledgements, then death at some point of the next
		for n := 0; lines.Scan(); n++ {
			acknowledged[lines.Text()] = true
			if n == die {
				timer := time.AfterFunc(time.Duration(rand.IntN(1500))*time.Microsecond, func() { _ = cmd.Process.Signal(syscall.SIGKILL) })
				defer timer.Stop()
			}
		}
		_ = cmd.Wait() // killed
	}
	if len(acknowledged) < kills {
		t.Fatalf("only %d acknowledged", len(acknowledged))
	}
	for id := range acknowledged {
		if _, err := s.GetPatient(t.Context(), call, id); err != nil {
			t.Errorf("acknowledged and gone: %v", err)
		}
	}
	// What was written without being acknowledged is written whole.
	db := sqliteBackendAt(t, path)
	for _, q := range []string{
		`SELECT count(*) FROM patients p WHERE NOT EXISTS (SELECT 1 FROM patient_words w WHERE w.patient_id = p.id)`,
		`SELECT count(*) FROM patients p WHERE NOT EXISTS (SELECT 1 FROM requests r WHERE r.request_id = p.reference)`,
		`SELECT count(*) FROM patients p WHERE NOT EXISTS (SELECT 1 FROM audit a WHERE a.resource = 'patients/' || p.id)`,
		`SELECT count(*) FROM changes c WHERE kind = 'patient.created' AND NOT EXISTS (SELECT 1 FROM patients p WHERE c.resource = 'patients/' || p.id)`,
	} {
		var n int
		if err := db.QueryRow(q).Scan(&n); err != nil || n != 0 {
			t.Errorf("%s: %d half-written, %v", q, n, err)
		}
	}
	var ok string
	if err := db.QueryRow(`PRAGMA integrity_check`).Scan(&ok); err != nil || ok != "ok" {
		t.Errorf("integrity: %s %v", ok, err)
	}
	if broken, err := s.VerifyAudit(t.Context(), call); err != nil || broken != nil {
		t.Errorf("the audit trail breaks at %+v, %v", broken, err)
	}
}
