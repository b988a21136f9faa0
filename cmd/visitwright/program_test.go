package main

import (
	"bufio"
	"bytes"
	"errors"
	"flag"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"
	"unicode/utf8"

	"github.com/visitwright/visitwright/clients/cli"
	"github.com/visitwright/visitwright/store/access"
	"github.com/visitwright/visitwright/store/pgtest"
)

// The tests start the real program: the test binary runs main when this
// variable is set.
const runMain = "VISITWRIGHT_TEST_RUNS_MAIN"

func TestMain(m *testing.M) {
	if os.Getenv(runMain) != "" {
		main()
		return
	}
	passphraseWork = access.Work{Memory: 64, Passes: 1, Threads: 1}
	code := pgtest.Run(m)
	stopBrowser()
	os.Exit(code)
}

var update = flag.Bool("update", false, "write the golden files anew")

// home is a data folder that a test's commands share.
type home struct {
	t   testing.TB
	dir string
}

func newHome(t testing.TB) *home {
	t.Helper()
	return &home{t: t, dir: t.TempDir()}
}

func (h *home) command(args ...string) *exec.Cmd {
	cmd := exec.Command(os.Args[0], args...)
	cmd.Env = append(os.Environ(), runMain+"=1", "VISITWRIGHT_DATA="+h.dir, "NO_COLOR=1")
	return cmd
}

// answer is what one run of the program said.
type answer struct {
	out, err string
	code     int
}

// run runs the program inside the test, which saves a process for each of the
// many commands; program starts a real one.
func (h *home) run(args ...string) answer {
	h.t.Helper()
	h.t.Setenv("VISITWRIGHT_DATA", h.dir)
	return inside(args...)
}

// program starts the real program and waits for its end.
func (h *home) program(args ...string) answer {
	h.t.Helper()
	cmd := h.command(args...)
	var out, err bytes.Buffer
	cmd.Stdout, cmd.Stderr = &out, &err
	if fault := cmd.Run(); fault != nil {
		if exited := (*exec.ExitError)(nil); !errors.As(fault, &exited) {
			h.t.Fatal(fault)
		}
	}
	return answer{out.String(), err.String(), cmd.ProcessState.ExitCode()}
}

// must runs the program and fails the test unless it succeeds.
func (h *home) must(args ...string) string {
	h.t.Helper()
	a := h.run(args...)
	if a.code != exitDone {
		h.t.Fatalf("visitwright %s: exit %d\n%s%s", strings.Join(args, " "), a.code, a.out, a.err)
	}
	return a.out
}

// id finds the id that a page shows behind a word.
func (h *home) id(page, before string) string {
	h.t.Helper()
	m := regexp.MustCompile(before + `\s+([0-9a-z]{26})`).FindStringSubmatch(page)
	if m == nil {
		h.t.Fatalf("no id behind %q in\n%s", before, page)
	}
	return m[1]
}

// service is a running `visitwright serve`.
type service struct {
	cmd     *exec.Cmd
	address string
	metrics string
	feeds   string // with its scheme
	pages   string // of the web desk, with its scheme
	log     *runningLog
	done    chan error
}

// runningLog holds what a running program writes; a test may read it meanwhile.
type runningLog struct {
	mu   sync.Mutex
	text bytes.Buffer
}

func (l *runningLog) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.text.Write(p)
}
func (l *runningLog) String() string { l.mu.Lock(); defer l.mu.Unlock(); return l.text.String() }

// serve starts the service on port 0 and waits until it says where.
func (h *home) serve(args ...string) *service {
	h.t.Helper()
	s := &service{cmd: h.command(append([]string{"serve", "--listen", "127.0.0.1:0"}, args...)...), log: &runningLog{}, done: make(chan error, 1)}
	out, err := s.cmd.StdoutPipe()
	if err != nil {
		h.t.Fatal(err)
	}
	s.cmd.Stderr = s.log
	if err := s.cmd.Start(); err != nil {
		h.t.Fatal(err)
	}
	h.t.Cleanup(func() { _ = s.cmd.Process.Kill() })
	lines := bufio.NewScanner(out)
	for lines.Scan() {
		if at, found := strings.CutPrefix(lines.Text(), "feeds "); found {
			s.feeds = at
		}
		if at, found := strings.CutPrefix(lines.Text(), "desk "); found {
			s.pages = at
		}
		if at, found := strings.CutPrefix(lines.Text(), "metrics http://"); found {
			s.metrics = at
			break
		}
		if at, found := strings.CutPrefix(lines.Text(), "serving "); found {
			s.address = at
			if !strings.Contains(strings.Join(args, " "), "--metrics") {
				break
			}
		}
	}
	if s.address == "" {
		_ = s.cmd.Wait()
		h.t.Fatalf("the service did not start:\n%s", s.log)
	}
	go func() { s.done <- s.cmd.Wait() }()
	return s
}

// ended waits for the program to end and returns its exit code.
func (s *service) ended(t *testing.T) int {
	t.Helper()
	select {
	case err := <-s.done:
		if exited := (*exec.ExitError)(nil); err != nil && !errors.As(err, &exited) {
			t.Fatal(err)
		}
		return s.cmd.ProcessState.ExitCode()
	case <-time.After(30 * time.Second):
		t.Fatal("the service did not end in 30 s")
		return -1
	}
}

// same masks what differs from run to run: ids, tokens, times, ports. A mask is
// as wide as what it hides, so that tables stay straight.
func same(text string) string {
	for _, m := range []struct{ pattern, name string }{
		{`vw1\.[a-z-]+\.[0-9a-z]{16}\.[A-Za-z0-9_-]+`, "token"},
		{`\b[0-9a-hjkmnp-tv-z]{26}\b`, "id"},
		{`(?m)^[0-9a-hjkmnp-tv-z]{16}\b`, "token id"},
		{`\b\d{4}-\d\d-\d\d \d\d:\d\d(:\d\d)?\b`, "time"},
		{`127\.0\.0\.1:\d+`, "address"},
	} {
		text = regexp.MustCompile(m.pattern).ReplaceAllStringFunc(text, func(found string) string {
			return "<" + m.name + strings.Repeat(".", max(0, len(found)-len(m.name)-2)) + ">"
		})
	}
	return text
}

// golden compares a text with a kept one.
func golden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("testdata", name+".golden")
	got = same(got)
	for line := range strings.SplitSeq(got, "\n") {
		if n := utf8.RuneCountInString(line); n > cli.Width {
			t.Errorf("%s: a line of %d columns, want at most %d: %s", name, n, cli.Width, line)
		}
	}
	if *update {
		if err := os.MkdirAll("testdata", 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if got != string(want) {
		t.Errorf("%s differs from what is kept; look at it, then `go test ./cmd/visitwright -update`\n%s", path, difference(string(want), got))
	}
}

// difference shows the first lines that differ.
func difference(want, got string) string {
	w, g := strings.Split(want, "\n"), strings.Split(got, "\n")
	var text strings.Builder
	for i, shown := 0, 0; i < max(len(w), len(g)) && shown < 8; i++ {
		a, b := "", ""
		if i < len(w) {
			a = w[i]
		}
		if i < len(g) {
			b = g[i]
		}
		if a != b {
			text.WriteString("- " + a + "\n+ " + b + "\n")
			shown++
		}
	}
	return text.String()
}
