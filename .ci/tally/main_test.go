package main

import (
	"bytes"
	"strings"
	"testing"
	"time"
)

func counted(t *testing.T, lines ...string) (passed, failed int, printed string) {
	t.Helper()
	var out bytes.Buffer
	ta := newTally(&out)
	for _, l := range lines {
		ta.add([]byte(l))
	}
	passed, failed = ta.close()
	return passed, failed, out.String()
}

func TestATestWithSubtestsIsCountedThroughThem(t *testing.T) {
	passed, failed, _ := counted(t,
		`{"Action":"pass","Package":"p","Test":"TestA/one"}`,
		`{"Action":"pass","Package":"p","Test":"TestA/two"}`,
		`{"Action":"pass","Package":"p","Test":"TestA"}`,
		`{"Action":"pass","Package":"p","Test":"TestB"}`,
		`{"Action":"pass","Package":"p"}`)
	if passed != 3 || failed != 0 {
		t.Errorf("got %d passed, %d failed; want 3 and 0", passed, failed)
	}
}

func TestASkippedTestIsAFailure(t *testing.T) {
	passed, failed, printed := counted(t, `{"Action":"skip","Package":"p","Test":"TestA"}`)
	if passed != 0 || failed != 1 || !strings.Contains(printed, "TestA") {
		t.Errorf("got %d passed, %d failed and %q; want one failure that names the test", passed, failed, printed)
	}
}

func TestAFailureIsPrintedAndCountedOnce(t *testing.T) {
	passed, failed, printed := counted(t,
		`{"Action":"output","Package":"p","Test":"TestA/one","Output":"off by one\n"}`,
		`{"Action":"fail","Package":"p","Test":"TestA/one"}`,
		`{"Action":"fail","Package":"p","Test":"TestA"}`,
		`{"Action":"fail","Package":"p"}`)
	if passed != 0 || failed != 1 || !strings.Contains(printed, "off by one") {
		t.Errorf("got %d passed, %d failed and %q; want one failure with its output", passed, failed, printed)
	}
}

func TestAPackageThatDoesNotBuildOrDiesIsAFailure(t *testing.T) {
	_, failed, _ := counted(t, `{"Action":"fail","Package":"p","FailedBuild":"p"}`)
	if failed != 1 {
		t.Errorf("a package without a verdict for any test: got %d failed, want 1", failed)
	}
	_, failed, printed := counted(t,
		`{"Action":"output","Package":"p","Test":"TestA","Output":"panic: boom\n"}`)
	if failed != 1 || !strings.Contains(printed, "boom") {
		t.Errorf("a test that never ended: got %d failed and %q; want 1 and its output", failed, printed)
	}
}

func TestALineThatIsNoEventIsAFailure(t *testing.T) {
	_, failed, _ := counted(t, `cannot find module`)
	if failed != 1 {
		t.Errorf("got %d failed, want 1", failed)
	}
}

// Two runs are written side by side and read one after the other.
func TestTheTimeIsThatOfTheTestsAndNotOfReadingThem(t *testing.T) {
	ta := newTally(&bytes.Buffer{})
	for _, l := range []string{
		`{"Action":"build-output","ImportPath":"p"}`,
		`{"Time":"2026-11-28T11:00:10Z","Action":"start","Package":"p"}`,
		`{"Time":"2026-11-28T11:01:40Z","Action":"pass","Package":"p"}`,
		`{"Time":"2026-11-28T11:00:05Z","Action":"start","Package":"q"}`,
		`{"Time":"2026-11-28T11:00:30Z","Action":"pass","Package":"q"}`,
	} {
		ta.add([]byte(l))
	}
	if ta.took() != 95*time.Second {
		t.Errorf("took %v, want from the first event to the last 95 s", ta.took())
	}
}
