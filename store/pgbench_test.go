package store

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/visitwright/visitwright/store/pgtest"
)

// beside is how long each side runs for one figure, twice in turn.
const beside = 2 * time.Second

// BenchmarkBookingBesidePgbench books visits (room, nurse, patient; nothing
// collides) with 1, 8 and 16 clients, beside pgbench -M prepared that runs the
// store's own statements of the same booking, on the same server in the same run:
//
//	go test ./store/ -run xxx -bench BesidePgbench -benchtime 1x
func BenchmarkBookingBesidePgbench(b *testing.B) {
	server, err := pgtest.Start(pgtest.Options{Durable: true})
	if err != nil {
		b.Fatal(err)
	}
	defer server.Close()
	if err := server.CreateDatabase("beside", ""); err != nil {
		b.Fatal(err)
	}
	keys, err := ParseKeys([]byte("key 1 " + keyA))
	if err != nil {
		b.Fatal(err)
	}
	s, err := Open(context.Background(), Config{Database: server.URL("beside"), Keys: keys})
	if err != nil {
		b.Fatal(err)
	}
	defer func() { _ = s.Close() }()
	for _, clients := range []int{1, 8, 16} {
		b.Run("clients="+strconv.Itoa(clients), func(b *testing.B) {
			for n := range b.N {
				k := newBesideRun(b, s, fmt.Sprintf("p%d-%d", clients, n))
				var ours, theirs float64
				for round := range 2 {
					ours += k.book(b, clients, round) / 2
					theirs += k.pgbench(b, server, clients, round) / 2
				}
				b.ReportMetric(ours, "booked/s")
				b.ReportMetric(theirs, "pgbench/s")
				b.ReportMetric(100*ours/theirs, "%")
			}
		})
	}
}

type besideRun struct {
	s       *Store
	call    Call
	refs    []ResourceRef
	patient string
}

func newBesideRun(b *testing.B, s *Store, practice string) besideRun {
	b.Helper()
	k := besideRun{s: s, call: Call{Practice: practice, Actor: "t", Role: RoleReception, Method: "/visitwright.v1.DiaryService/BookOffer"}}
	_, err := s.CreatePractice(b.Context(), NewPractice{ID: practice, Name: "x", Zone: "UTC", Tokens: []Token{{ID: "t", Role: RoleManager}}})
	if err != nil {
		b.Fatal(err)
	}
	for _, kind := range []ResourceKind{KindRoom, KindNurse} {
		r, err := s.PutResource(b.Context(), k.call, Resource{ResourceRef: ResourceRef{Kind: kind}, Name: "x", Active: true})
		if err != nil {
			b.Fatal(err)
		}
		k.refs = append(k.refs, r.ResourceRef)
	}
	p, err := s.CreatePatient(b.Context(), k.call, Patient{Reference: "a"})
	if err != nil {
		b.Fatal(err)
	}
	k.patient = p.ID
	return k
}

// Each side, client and round has years of its own, so that nothing collides.
const (
	besideYears  = 2_000 // quarters of an hour for one client in one round
	besideRounds = 2
)

func besideStart(side, clients, client, round int) time.Time {
	slot := ((side*besideRounds+round)*clients + client) * besideYears
	return time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC).Add(time.Duration(slot) * 15 * time.Minute)
}

func (k besideRun) book(b *testing.B, clients, round int) float64 {
	b.Helper()
	var mu sync.Mutex
	total := 0
	began := time.Now()
	var wg sync.WaitGroup
	for c := range clients {
		wg.Go(func() {
			n := 0
			for at := besideStart(0, clients, c, round); time.Since(began) < beside && n < besideYears; n++ {
				v := NewVisit{Place: Place{Start: at, End: at.Add(15 * time.Minute), Zone: "UTC"}}
				for _, r := range k.refs {
					v.Spans = append(v.Spans, Span{r, at, at.Add(15 * time.Minute)})
				}
				if _, err := k.s.BookOffer(b.Context(), k.call, NewBooking{PatientID: k.patient, Visits: []NewVisit{v}}); err != nil {
					b.Errorf("our side: %v", err)
					return
				}
				at = at.Add(15 * time.Minute)
			}
			mu.Lock()
			defer mu.Unlock()
			total += n
		})
	}
	wg.Wait()
	return float64(total) / time.Since(began).Seconds()
}

var (
	besideTPS    = regexp.MustCompile(`tps = ([0-9.]+)`)
	besideFailed = regexp.MustCompile(`number of failed transactions: (\d+)`)
)

func (k besideRun) pgbench(b *testing.B, server *pgtest.Server, clients, round int) float64 {
	b.Helper()
	path := filepath.Join(b.TempDir(), "booking.sql")
	if err := os.WriteFile(path, []byte(k.script(clients, round)), 0o600); err != nil {
		b.Fatal(err)
	}
	cmd := exec.CommandContext(b.Context(), filepath.Join(server.Bin(), "pgbench"), "-n", "-M", "prepared", "-c", strconv.Itoa(clients), "-j", "2",
		"-T", strconv.Itoa(int(beside.Seconds())), "-D", "n=0", "-f", path, "-h", server.Socket(), "-U", pgtest.Owner, "beside")
	out, err := cmd.CombinedOutput()
	if err != nil {
		b.Fatalf("pgbench: %v\n%s", err, out)
	}
	if m := besideFailed.FindSubmatch(out); m == nil || string(m[1]) != "0" {
		b.Fatalf("pgbench had failures:\n%s", out)
	}
	m := besideTPS.FindSubmatch(out)
	if m == nil {
		b.Fatalf("pgbench says nothing:\n%s", out)
	}
	tps, err := strconv.ParseFloat(string(m[1]), 64)
	if err != nil {
		b.Fatal(err)
	}
	return tps
}

// script is one booking as pgbench runs it: the statements of BookOffer in their
// order, with pgbench's variables where the store has parameters.
func (k besideRun) script(clients, round int) string {
	quote := func(s string) string { return "'" + s + "'" }
	practice := quote(k.call.Practice)
	patientRef := "patient/" + k.patient
	refs := []string{k.refs[1].ref(), patientRef, k.refs[0].ref()} // sorted: nurse, patient, room
	array := func(list ...string) string { return "ARRAY[" + strings.Join(list, ",") + "]" }
	quoted := array(quote(refs[0]), quote(refs[1]), quote(refs[2]))
	bookable := array(quote(refs[0]), quote(refs[2]))
	three := func(v string) string { return array(v, v, v) }
	id, booking := "('a' || :client_id || '-' || :n || '-"+strconv.Itoa(round)+"')", "('b' || :client_id || '-' || :n)"
	spans := "jsonb_build_array(" + span(quote(k.refs[0].ref())) + "," + span(quote(k.refs[1].ref())) + ")"
	wantedSpans := "jsonb_build_array(" + span(quote(refs[0])) + "," + span(quote(refs[1])) + "," + span(quote(refs[2])) + ")"
	row := `jsonb_build_array(jsonb_build_object('id',` + id + `,'booking',` + booking + `,'origin','own','system','','value','','patient',` + quote(k.patient) +
		`,'cases','null','state','booked','from',:s::bigint,'to',:e::bigint,'zone','UTC','local','','zone_version','','spans',` + spans + `::text,
		'hold_until',0,'if_needed',false,'release',0,'due',0,'sealed','','hash',''))`
	entry := func(v string) string { return array(quote(v), quote(v)) }
	hash := `decode(repeat('ab', 32), 'hex')`
	lines := []string{
		`\set n :n + 1`,
		fmt.Sprintf(`\set s %d + :client_id * %d + :n * %d`, besideStart(1, clients, 0, round).UnixMicro(), int64(besideYears)*15*60_000_000, 15*60_000_000),
		`\set e :s + ` + strconv.Itoa(15*60_000_000),
		`\set day :s / 86400000000`,
		"BEGIN;",
		inline(stmtBegin.postgres, practice) + ";",
		inline(stmtResourcesThere.postgres, practice, bookable, quote(k.patient)) + ";",
		inline(stmtHeadLock.postgres, practice) + ` \gset`,
		`\set a :audit_seq + 1`,
		`\set a2 :audit_seq + 2`,
		`\set c :change_seq`,
		`\set c1 :change_seq + 1`,
		`\set d :diary_version + 1`,
		inline(stmtAppointmentsPut.postgres, practice, row, ":s", "ARRAY[]::text[]", "ARRAY[]::text[]", three(id), quoted,
			three(":s"), three(":e"), three("2")) + ";",
		inline(stmtSpanMeet.postgres, practice, wantedSpans, "1", "1", "ARRAY[]::text[]") + ";",
		inline(stmtDaysOf.postgres, practice, "jsonb_build_array(:day::bigint)") + ";",
		inline(stmtLeave.postgres, practice, ":a2::bigint", hash, ":c1::bigint", ":d::bigint", ":setup_version::bigint", ":c::bigint", ":s::bigint", "'t'",
			array("'appointment.booked'"), array("'appointments/' || "+id), array(`'"1"'`), // changes
			array(":a", ":a2"), array(":s", ":s"), entry("t"), entry("reception"), entry(""), entry(k.call.Method),
			array("'bookings/' || "+booking, "'appointments/' || "+id), entry(""), entry(""), entry("ok"), entry(`["state","start","spans"]`),
			array("1", "1"), array(hash, hash), array(hash, hash),
			array(":day"), array("decode(repeat('00', 140), 'hex')")) + ";",
		"COMMIT;",
	}
	return strings.Join(lines, "\n") + "\n"
}

func span(ref string) string {
	return "jsonb_build_object('r'," + ref + ",'s',:s::bigint,'e',:e::bigint)"
}

var parameter = regexp.MustCompile(`\$(\d+)`)

// inline puts expressions where a statement has parameters, on one line.
func inline(text string, args ...string) string {
	text = parameter.ReplaceAllStringFunc(text, func(p string) string {
		n, err := strconv.Atoi(p[1:])
		if err != nil || n > len(args) {
			panic("a parameter without its expression: " + p)
		}
		return args[n-1]
	})
	return strings.Join(strings.Fields(text), " ")
}
