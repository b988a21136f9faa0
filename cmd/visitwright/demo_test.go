//go:build !race

// The race detector slows a real browser and the play of a whole practice down
// out of proportion: .ci/test runs these without it, in a step of their own.

package main

import (
	"bufio"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// The first command of the README opens the desk on the demo practice, says how
// to get in and how to stop, and leaves nothing behind.
func TestTheDemoOpensTheDeskAndLeavesNothingBehind(t *testing.T) {
	h := newHome(t)
	temp := t.TempDir()
	cmd := h.command("demo", "--listen", "127.0.0.1:0")
	cmd.Env = append(cmd.Env, "TMPDIR="+temp)
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = cmd.Process.Kill() })
	var said []string
	address := ""
	for lines := bufio.NewScanner(out); lines.Scan(); {
		said = append(said, lines.Text())
		if at, found := strings.CutPrefix(lines.Text(), "Open in a browser:  "); found {
			address = at
		}
		if strings.HasPrefix(lines.Text(), "Stop with Ctrl-C") {
			break
		}
	}
	text := strings.Join(said, "\n")
	for _, want := range []string{"invented", "passphrase of everybody", "amsel", "hirse", "INVENTED-0046", "keeps a clock of its own"} {
		if !strings.Contains(text, want) {
			t.Errorf("the demo does not say %q:\n%s", want, text)
		}
	}
	client := &http.Client{Timeout: 30 * time.Second}
	request, err := http.NewRequestWithContext(t.Context(), http.MethodGet, address+"/", http.NoBody)
	if err != nil {
		t.Fatal(err)
	}
	answer, err := client.Do(request)
	if err != nil {
		t.Fatalf("the desk at %q: %v", address, err)
	}
	_ = answer.Body.Close()
	if answer.StatusCode != http.StatusOK || !strings.HasSuffix(answer.Request.URL.Path, "/sign-in") {
		t.Errorf("the desk answers %s at %s, want the sign-in page", answer.Status, answer.Request.URL.Path)
	}
	if err := cmd.Process.Signal(os.Interrupt); err != nil {
		t.Fatal(err)
	}
	if err := cmd.Wait(); err != nil {
		t.Errorf("it ended with %v", err)
	}
	for _, folder := range []string{temp, h.dir} {
		if left, err := filepath.Glob(filepath.Join(folder, "*")); err != nil || len(left) > 0 {
			t.Errorf("left behind: %v (%v)", left, err)
		}
	}
}

func TestTheDemoIsShownOnThisMachineAlone(t *testing.T) {
	if a := newHome(t).run("demo", "--listen", "0.0.0.0:7647"); a.code == exitDone || !strings.Contains(a.err, "7647") {
		t.Errorf("exit %d: %s%s", a.code, a.out, a.err)
	}
}
