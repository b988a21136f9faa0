// Command tally reads the output of `go test -json`, prints what `go test`
// itself would print, and closes with one line that counts the tests:
//
//	N passed, N failed
//
// A test with subtests is counted through them, once each. A skipped test
// counts as a failure: this repository has none, since a test that did not run
// proves nothing. A package that does not build, or that ends before its tests
// have, is a failure too. With -failed N, N failures found before the tests are
// added to the count, so that the last line is never better than the run.
package main

import (
	"bufio"
	"encoding/json"
	"flag"
	"fmt"
	"io"
	"os"
	"sort"
	"strings"
	"time"
)

// event is one line of test2json's output (see `go doc test2json`).
type event struct {
	Time        time.Time
	Action      string
	Package     string
	ImportPath  string // of build output
	Test        string
	Elapsed     float64
	Output      string
	FailedBuild string
}

type key struct{ pkg, test string }

// tally holds what was seen so far.
type tally struct {
	out     io.Writer
	results map[key]string   // pass, fail or skip
	said    map[key][]string // output of each test, kept until its verdict
	parents map[key]bool     // tests that have subtests
	slow    map[key]float64
	broken  []string // packages that failed without a failing test
	other   int      // lines that are no events

	first, last time.Time // of the events
}

func newTally(out io.Writer) *tally {
	return &tally{
		out:     out,
		results: map[key]string{},
		said:    map[key][]string{},
		parents: map[key]bool{},
		slow:    map[key]float64{},
	}
}

// add takes in one line.
func (t *tally) add(line []byte) {
	var e event
	if err := json.Unmarshal(line, &e); err != nil {
		// The go command prints some faults outside the stream.
		t.other++
		fmt.Fprintf(t.out, "%s\n", line)
		return
	}
	t.when(e.Time)
	k := key{e.Package, e.Test}
	if i := strings.LastIndex(e.Test, "/"); i > 0 {
		t.parents[key{e.Package, e.Test[:i]}] = true
	}
	switch e.Action {
	case "output":
		switch {
		case e.Test == "" && e.Output != "PASS\n":
			fmt.Fprint(t.out, e.Output)
		case e.Test == "":
			// go test leaves it out too, but for a single package
		default:
			t.said[k] = append(t.said[k], e.Output)
		}
	case "build-output":
		fmt.Fprint(t.out, e.Output)
	case "pass", "fail", "skip":
		if e.Test == "" {
			if e.Action == "fail" && !t.anyFailed(e.Package) {
				t.broken = append(t.broken, e.Package)
			}
			return
		}
		t.results[k] = e.Action
		t.slow[k] = e.Elapsed
		if e.Action != "pass" {
			fmt.Fprint(t.out, strings.Join(t.said[k], ""))
		}
		delete(t.said, k)
	}
}

// when takes in the time of an event; what the compiler says has none.
func (t *tally) when(at time.Time) {
	if !at.IsZero() && (t.first.IsZero() || at.Before(t.first)) {
		t.first = at
	}
	if at.After(t.last) {
		t.last = at
	}
}

// took is the time from the first event to the last.
func (t *tally) took() time.Duration { return t.last.Sub(t.first) }

func (t *tally) anyFailed(pkg string) bool {
	for k, r := range t.results {
		if k.pkg == pkg && r == "fail" {
			return true
		}
	}
	return false
}

// close prints the output of tests that never ended (a panic, a timeout) and
// returns the counts.
func (t *tally) close() (passed, failed int) {
	unfinished := make([]key, 0, len(t.said))
	for k := range t.said {
		unfinished = append(unfinished, k)
	}
	sort.Slice(unfinished, func(i, j int) bool {
		return unfinished[i].pkg+unfinished[i].test < unfinished[j].pkg+unfinished[j].test
	})
	for _, k := range unfinished {
		fmt.Fprintf(t.out, "did not end: %s %s\n%s", k.pkg, k.test, strings.Join(t.said[k], ""))
		failed++
	}
	for k, r := range t.results {
		switch {
		case t.parents[k] && r == "pass":
			// counted through its subtests
		case t.parents[k] && r == "fail" && t.childFailed(k):
		case r == "pass":
			passed++
		case r == "skip":
			fmt.Fprintf(t.out, "skipped, which counts as a failure: %s %s\n", k.pkg, k.test)
			failed++
		default:
			failed++
		}
	}
	return passed, failed + len(t.broken) + t.other
}

func (t *tally) childFailed(parent key) bool {
	for k, r := range t.results {
		if k.pkg == parent.pkg && strings.HasPrefix(k.test, parent.test+"/") && r != "pass" {
			return true
		}
	}
	return false
}

// slowest prints the n slowest leaf tests.
func (t *tally) slowest(n int) {
	var keys []key
	for k, s := range t.slow {
		if !t.parents[k] && s >= 1 {
			keys = append(keys, k)
		}
	}
	sort.Slice(keys, func(i, j int) bool { return t.slow[keys[i]] > t.slow[keys[j]] })
	for i, k := range keys {
		if i == n {
			break
		}
		fmt.Fprintf(t.out, "slow: %6.1f s  %s %s\n", t.slow[k], k.pkg, k.test)
	}
}

func main() {
	already := flag.Int("failed", 0, "failures to add to the count")
	flag.Parse()
	t := newTally(os.Stdout)
	in := bufio.NewReaderSize(os.Stdin, 1<<20)
	for {
		line, err := in.ReadBytes('\n')
		if len(line) > 0 {
			t.add(line)
		}
		if err != nil {
			break
		}
	}
	passed, failed := t.close()
	t.slowest(15)
	failed += *already
	fmt.Printf("\ntests took %.0f s, those of one package beside those of another\n", t.took().Seconds())
	fmt.Printf("%d passed, %d failed\n", passed, failed)
	if failed > 0 || passed == 0 {
		os.Exit(1)
	}
}
