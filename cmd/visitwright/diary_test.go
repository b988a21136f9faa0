package main

import (
	"bufio"
	"bytes"
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/type/date"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// monday is when the diary tests take place: a Monday morning at seven, UTC.
var monday = time.Date(2027, 3, 1, 7, 0, 0, 0, time.UTC)

// at runs the program inside the test at a time of its own.
func (h *home) at(now time.Time, args ...string) answer {
	h.t.Helper()
	h.t.Setenv("VISITWRIGHT_DATA", h.dir)
	var out, err bytes.Buffer
	code := run(context.Background(), args, world{out: &out, err: &err, now: func() time.Time { return now }})
	return answer{out.String(), err.String(), code}
}

// mustAt is at, and fails the test unless the program succeeds.
func (h *home) mustAt(now time.Time, args ...string) string {
	h.t.Helper()
	a := h.at(now, args...)
	if a.code != exitDone {
		h.t.Fatalf("visitwright %s: exit %d\n%s%s", strings.Join(args, " "), a.code, a.out, a.err)
	}
	return a.out
}

// furnish gives the practice people, rooms and hours, and a planned case.
func (h *home) furnish() (caseID string) {
	h.t.Helper()
	for _, args := range [][]string{
		{"settings", "change", "--zone", "Europe/Vienna", "--title", "Nowhere-on-Sea Practice (invented)"},
		{"clinician", "add", "Dr Invented"},
		{"resource", "add", "room", "Room 1", "--clean-up", "10"},
		{"resource", "add", "nurse", "Nurse Invented"},
		{"hours", "set", "practice", "mon=08:00-12:00", "mon=13:00-17:00", "tue=08:00-12:00", "wed=08:00-17:00", "thu=08:00-17:00", "fri/2+1=08:00-13:00"},
		{"patient", "add", "INVENTED-0046", "--weight", "68"},
	} {
		h.mustAt(monday, args...)
	}
	id := h.id(h.mustAt(monday, "case", "open", "--patient", "INVENTED-0046", "--tooth", "46", "--protocol", "primary-treatment", "--diagnosis", "necrotic-lesion"), "Case")
	h.mustAt(monday, "assess", id, "--diagnosis", "necrotic-lesion", "--radiograph-count", "3")
	h.mustAt(monday, "propose", id)
	h.mustAt(monday, "accept", id, "--option", "two-visits", "--consent", "written")
	return id
}

func TestReceptionFindsPlacesBooksMovesAndCancels(t *testing.T) {
	h := newHome(t)
	id := h.furnish()
	show := func(name string, args ...string) string {
		out := h.mustAt(monday, args...)
		golden(t, name, out)
		return out
	}
	show("hours", "hours", "show")
	show("diary-settings", "diary", "settings", "change", "--step", "15", "--reserve", "tue=11:00-12:00@10:00", "--holiday-region", "AT")
	show("holidays", "closure", "holidays", "2027")
	show("place", "place", id, "--at", "2027-03-02 09:00")
	show("place-closed", "place", id, "--at", "2027-03-06 09:00")
	show("resources", "resource", "list")
	show("closure-add", "closure", "add", "2027-03-10", "2027-03-11", "--note", "invented course")
	show("closures", "closure", "list")
	show("offers", "offers", id, "--most", "3", "--as", "reception", "--weekday", "mon", "--weekday", "wed", "--between", "08:00-12:00")
	page := show("book", "book", "1", "--keep", "60", "--as", "reception")
	booking := h.id(page, "Booking")
	first := h.id(page, "Appointment")
	show("booking-confirm", "booking", "confirm", booking, "--as", "reception")
	show("diary-day", "diary", "2027-03-01")
	show("diary-week", "diary", "week", "2027-03-03")
	show("appointment-move-preview", "appointment", "move", first, "--to", "2027-03-03 09:00", "--preview")
	show("appointment-move", "appointment", "move", first, "--to", "2027-03-03 09:00", "--repair")
	show("diary-conflicts", "diary", "conflicts")
	show("short-notice", "short-notice", "add", id, "--instead-of", first)
	show("appointment-cancel", "appointment", "cancel", first)
	show("short-notice-match", "short-notice", "match", first)
	show("emergency-questions", "emergency")
	show("emergency", "emergency", "--no-flags")
	h.mustAt(monday, "settings", "change", "--file", writeFile(t, `{"urgent_instruction": "Call the invented emergency line at once."}`))
	show("emergency-flag", "emergency", "--yes", "breathing", "--no-flags")
	calendar := h.mustAt(monday, "diary", "export", "bookings/"+booking)
	if !strings.HasPrefix(calendar, "BEGIN:VCALENDAR\r\n") || strings.Contains(calendar, "46") && strings.Contains(calendar, "necrotic") {
		t.Errorf("the calendar is\n%s", calendar)
	}
}

func writeFile(t *testing.T, text string) string {
	t.Helper()
	name := filepath.Join(t.TempDir(), "settings.json")
	if err := os.WriteFile(name, []byte(text), 0o600); err != nil {
		t.Fatal(err)
	}
	return name
}

// Another system's diary is the truth even where it overlaps: it is taken in,
// marked, and what cannot be is named by its line.
func TestAnotherSystemsAppointmentsAreTakenInAndConflictsMarked(t *testing.T) {
	h := newHome(t)
	id := h.furnish()
	h.mustAt(monday, "offers", id)
	h.mustAt(monday, "book", "1")
	room := h.id(h.mustAt(monday, "resource", "list"), `held[-\s]+`) // the first row; the booking holds every resource
	line := func(key, start string) string {
		return `{"key": {"system": "front-desk", "value": "` + key + `"}, "place": {"start": {"date": {"year": 2027, "month": 3, "day": 1}, "time": {"hours": ` + start +
			`}}, "minutes": 30, "holds": [{"resource": "practices/my-practice/resources/` + room + `", "from_minute": 0, "to_minute": 30}]}}`
	}
	file := writeFile(t, line("A-1", "8")+"\n\n"+line("A-2", "15")+"\n")
	if out := h.mustAt(monday, "take-in", file); !strings.Contains(out, "2 new") || !strings.Contains(out, "1 stand in conflict") {
		t.Errorf("the first time: %s", out)
	}
	if out := h.mustAt(monday, "take-in", file); !strings.Contains(out, "0 new") || !strings.Contains(out, "2 as they were") {
		t.Errorf("the second time: %s", out)
	}
	if out := h.mustAt(monday, "diary", "conflicts"); !strings.Contains(out, "Mon 1 Mar 2027 08:00-08:30") {
		t.Errorf("the conflicts: %s", out)
	}
	a := h.at(monday, "take-in", writeFile(t, "{}\nnot json\n"))
	if a.code != exitUsage || !strings.Contains(a.err, "line 2") {
		t.Errorf("a broken line: exit %d, %s", a.code, a.err)
	}
}

func TestAPlaceThatIsTakenMeanwhileIsNotBookedTwice(t *testing.T) {
	h := newHome(t)
	id := h.furnish()
	h.mustAt(monday, "offers", id)
	h.mustAt(monday, "book", "1")
	a := h.at(monday, "book", "1")
	if a.code != exitRefused || a.err == "" {
		t.Errorf("the same offer was booked twice: exit %d\n%s%s", a.code, a.out, a.err)
	}
}

func TestAProvisionalBookingThatRanOutCannotBeConfirmed(t *testing.T) {
	h := newHome(t)
	id := h.furnish()
	h.mustAt(monday, "offers", id)
	booking := h.id(h.mustAt(monday, "book", "1", "--keep", "30"), "Booking")
	a := h.at(monday.Add(31*time.Minute), "booking", "confirm", booking)
	if a.code != exitRefused || !strings.Contains(a.err, "PROVISIONAL_EXPIRED") {
		t.Errorf("exit %d: %s%s", a.code, a.out, a.err)
	}
}

// What the diary cannot keep is refused with its reason, and nothing is kept.
func TestWhatTheDiaryCannotKeepIsRefusedWithItsReason(t *testing.T) {
	h := newHome(t)
	id := h.furnish()
	h.mustAt(monday, "closure", "add", "2027-03-10")
	before := h.mustAt(monday, "hours", "show")
	room := h.id(h.mustAt(monday, "resource", "list"), `held[-\s]+`)
	for _, c := range []struct{ args, reason string }{
		{"hours set practice mon=08:00-12:00 mon=11:00-13:00", "HOURS_OVERLAP"},
		{"hours set practice mon=12:00-08:00", "END_BEFORE_START"},
		{"closure add 2027-03-12 2027-03-11", "END_BEFORE_START"},
		{"place ID --at 2027-03-10T09:00 --book", "CLOSED"},
		{"place ID --at 2027-03-02T09:03 --book", ""},
		{"place ID --at 2027-03-07T09:00 --book", ""},
		{"place ID --at 2027-03-28T02:30 --book", "TIME_IN_GAP"},
		{"offers ID --with 01hzzzzzzzzzzzzzzzzzzzzzzz", "CLINICIAN_NOT_FOUND"},
		{"hours set resources/01hzzzzzzzzzzzzzzzzzzzzzzz mon=08:00-12:00", "RESOURCE_NOT_FOUND"},
		{"diary export resources/ROOM --from 2027-01-01 --to 2037-01-01", "RANGE_TOO_LONG"},
	} {
		a := h.at(monday, strings.Fields(strings.NewReplacer("ID", id, "ROOM", room).Replace(c.args))...)
		if a.code != exitRefused || !strings.Contains(a.err, c.reason) || a.out != "" {
			t.Errorf("visitwright %s: exit %d, want a refusal with %q: %s%s", c.args, a.code, c.reason, a.out, a.err)
		}
	}
	if after := h.mustAt(monday, "hours", "show"); after != before {
		t.Errorf("the hours changed:\n%s", after)
	}
	if week := h.mustAt(monday, "diary", "week", "2027-03-08"); !strings.Contains(week, "Nothing is booked.") {
		t.Errorf("something was booked:\n%s", week)
	}
}

func TestBadWishesAreMistakesOfTheCommandLine(t *testing.T) {
	h := newHome(t)
	id := h.furnish()
	for _, args := range []string{
		"offers ID --not-before tomorrow", "offers ID --weekday someday", "offers ID --between 12:00-08:00", "offers ID --between 25:00-26:00",
		"appointment move x --to monday", "hours set practice mon=0800-1200", "hours set practice someday=08:00-12:00", "hours set elsewhere mon=08:00-12:00",
		"closure add 2027-02-30", "diary 2027-13-01", "diary export 01", "book 1", "book 99", "diary conflicts --days 4000", "diary settings change", "diary settings change --reserve mon=08:00-09:00", "place ID --at noon", "take-in nowhere.jsonl",
	} {
		a := h.at(monday, strings.Fields(strings.ReplaceAll(args, "ID", id))...)
		if a.code != exitUsage {
			t.Errorf("visitwright %s: exit %d, want 2: %s%s", args, a.code, a.out, a.err)
		}
	}
}

// watching is a running `diary watch`.
type watching struct {
	cmd   *exec.Cmd
	lines chan string
}

func (h *home) watch(s *service) *watching {
	h.t.Helper()
	w := &watching{cmd: h.command("diary", "watch", "--server", s.address), lines: make(chan string, 1000)}
	out, err := w.cmd.StdoutPipe()
	if err != nil {
		h.t.Fatal(err)
	}
	if err := w.cmd.Start(); err != nil {
		h.t.Fatal(err)
	}
	h.t.Cleanup(func() { _ = w.cmd.Process.Kill() })
	go func() {
		scan := bufio.NewScanner(out)
		for scan.Scan() {
			w.lines <- scan.Text()
		}
		close(w.lines)
	}()
	return w
}

// next waits for a line that holds the text.
func (w *watching) next(t *testing.T, text string) {
	t.Helper()
	for {
		select {
		case line, more := <-w.lines:
			if !more {
				t.Fatalf("the watch ended before it told of %q", text)
			}
			if strings.Contains(line, text) {
				return
			}
		case <-time.After(30 * time.Second):
			t.Fatalf("the watch told nothing of %q in 30 s", text)
		}
	}
}

func TestAWatchGoesOnAfterTheServiceCameBackAndLosesNothing(t *testing.T) {
	h := newHome(t)
	h.furnish()
	s := h.serve()
	w := h.watch(s)
	closing := 0
	shut := func(s *service) string {
		t.Helper()
		c, parent := h.connect(s, store.RoleReception)
		closing++
		day := &date.Date{Year: 2027, Month: 5, Day: int32(closing)}
		reply, err := c.Diary.CreateAbsence(t.Context(), &vw.CreateAbsenceRequest{Parent: parent, Absence: &vw.Absence{Owner: parent, Kind: "closed", FirstDate: day, LastDate: day}})
		if err != nil {
			t.Fatal(err)
		}
		return filepath.Base(reply.GetAbsence().GetName())
	}
	// A watch starts with the next change: until it has seen one, make some.
	seen := false
	for n := 0; !seen && n < 25; n++ {
		shut(s)
		select {
		case line := <-w.lines:
			seen = strings.Contains(line, "setup.changed")
		case <-time.After(200 * time.Millisecond):
		}
	}
	if !seen {
		t.Fatal("the watch told nothing")
	}
	first := shut(s)
	if err := s.cmd.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	s.ended(t)
	again := h.serve("--listen", s.address)
	second := shut(again)
	w.next(t, first)
	w.next(t, second)
	if err := w.cmd.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	var last string
	for line := range w.lines {
		last = line
	}
	if !strings.HasPrefix(last, "go on with --after ") {
		t.Errorf("the watch ended with %q", last)
	}
	if err := w.cmd.Wait(); err != nil {
		t.Errorf("the watch ended with %v", err)
	}
}
