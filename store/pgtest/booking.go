package pgtest

import (
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"
)

// Booking is one booking of the store as pgbench runs it, for comparisons: the
// store's own statements, in their order.
type Booking struct {
	// Statements are the store's, by name.
	Statements map[string]string
	Practice   string
	Patient    string // id
	// Refs are what a visit holds beside the patient: "room/ID", "nurse/ID" ...
	Refs   []string
	Method string // as the audit trail names it
	Slots  Slots
	Side   int // whose slots it takes
}

// Slots gives each side, client and round quarters of an hour of its own, so
// that nothing collides.
type Slots struct {
	From      time.Time
	PerClient int // for one client in one round
	Rounds    int
}

// Start is where the slots of one client begin.
func (s Slots) Start(side, clients, client, round int) time.Time {
	slot := ((side*s.Rounds+round)*clients + client) * s.PerClient
	return s.From.Add(time.Duration(slot) * quarter)
}

const quarter = 15 * time.Minute

var (
	tps    = regexp.MustCompile(`tps = ([0-9.]+)`)
	failed = regexp.MustCompile(`number of failed transactions: (\d+)`)
)

// Rate runs the booking with pgbench -M prepared for so many seconds and returns
// the bookings a second. A single failed transaction fails the test.
func (k Booking) Rate(b testing.TB, server *Server, database string, clients, round, seconds int) float64 {
	b.Helper()
	path := filepath.Join(b.TempDir(), "booking.sql")
	if err := os.WriteFile(path, []byte(k.script(clients, round)), 0o600); err != nil {
		b.Fatal(err)
	}
	//nolint:gosec // a program of the server that programs() found
	cmd := exec.CommandContext(b.Context(), filepath.Join(server.Bin(), "pgbench"), "-n", "-M", "prepared", "-c", strconv.Itoa(clients), "-j", "2",
		"-T", strconv.Itoa(seconds), "-D", "n=0", "-f", path, "-h", server.Socket(), "-U", Owner, database)
	out, err := cmd.CombinedOutput()
	if err != nil {
		b.Fatalf("pgbench: %v\n%s", err, out)
	}
	if m := failed.FindSubmatch(out); m == nil || string(m[1]) != "0" {
		b.Fatalf("pgbench had failures:\n%s", out)
	}
	m := tps.FindSubmatch(out)
	if m == nil {
		b.Fatalf("pgbench says nothing:\n%s", out)
	}
	rate, err := strconv.ParseFloat(string(m[1]), 64)
	if err != nil {
		b.Fatal(err)
	}
	return rate
}

// script is one booking as pgbench runs it: the statements of BookOffer in their
// order, with pgbench's variables where the store has parameters.
func (k Booking) script(clients, round int) string {
	quote := func(s string) string { return "'" + s + "'" }
	practice := quote(k.Practice)
	refs := append([]string{"patient/" + k.Patient}, k.Refs...)
	slices.Sort(refs)
	array := func(list ...string) string { return "ARRAY[" + strings.Join(list, ",") + "]" }
	each := func(list []string, f func(string) string) (out []string) {
		for _, one := range list {
			out = append(out, f(one))
		}
		return out
	}
	spanOf := func(ref string) string { return span(quote(ref)) }
	quoted, bookable := array(each(refs, quote)...), array(each(k.Refs, quote)...)
	all := func(v string) string { return array(slices.Repeat([]string{v}, len(refs))...) }
	id, booking := "('a' || :client_id || '-' || :n || '-"+strconv.Itoa(round)+"')", "('b' || :client_id || '-' || :n)"
	spans := "jsonb_build_array(" + strings.Join(each(k.Refs, spanOf), ",") + ")"
	wantedSpans := "jsonb_build_array(" + strings.Join(each(refs, spanOf), ",") + ")"
	row := `jsonb_build_array(jsonb_build_object('id',` + id + `,'booking',` + booking + `,'origin','own','system','','value','','patient',` + quote(k.Patient) +
		`,'cases','null','state','booked','from',:s::bigint,'to',:e::bigint,'zone','UTC','local','','zone_version','','spans',` + spans + `::text,
		'hold_until',0,'if_needed',false,'release',0,'due',0,'sealed','','hash',''))`
	entry := func(v string) string { return array(quote(v), quote(v)) }
	hash := `decode(repeat('ab', 32), 'hex')`
	lines := []string{
		`\set n :n + 1`,
		fmt.Sprintf(`\set s %d + :client_id * %d + :n * %d`, k.Slots.Start(k.Side, clients, 0, round).UnixMicro(), int64(k.Slots.PerClient)*quarter.Microseconds(), quarter.Microseconds()),
		`\set e :s + ` + strconv.FormatInt(quarter.Microseconds(), 10),
		`\set day :s / 86400000000`,
		"BEGIN;",
		k.inline("begin", practice) + ";",
		k.inline("resources there", practice, bookable, quote(k.Patient)) + ";",
		k.inline("head lock", practice) + ` \gset`,
		`\set a :audit_seq + 1`,
		`\set a2 :audit_seq + 2`,
		`\set c :change_seq`,
		`\set c1 :change_seq + 1`,
		`\set d :diary_version + 1`,
		k.inline("appointments put", practice, row, ":s", "ARRAY[]::text[]", "ARRAY[]::text[]", all(id), quoted,
			all(":s"), all(":e"), all("2")) + ";",
		k.inline("span meet", practice, wantedSpans, "1", "1", "ARRAY[]::text[]") + ";",
		k.inline("diary days of", practice, "jsonb_build_array(:day::bigint)") + ";",
		k.inline("leave", practice, ":a2::bigint", hash, ":c1::bigint", ":d::bigint", ":setup_version::bigint", ":c::bigint", ":s::bigint", "'t'",
			array("'appointment.booked'"), array("'appointments/' || "+id), array(`'"1"'`), // changes
			array(":a", ":a2"), array(":s", ":s"), entry("t"), entry("reception"), entry(""), entry(k.Method),
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
func (k Booking) inline(name string, args ...string) string {
	text := k.Statements[name]
	if text == "" {
		panic("no statement " + name)
	}
	text = parameter.ReplaceAllStringFunc(text, func(p string) string {
		n, err := strconv.Atoi(p[1:])
		if err != nil || n > len(args) {
			panic("a parameter without its expression: " + p)
		}
		return args[n-1]
	})
	return strings.Join(strings.Fields(text), " ")
}
