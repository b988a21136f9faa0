package main

import (
	"bytes"
	"context"
	"regexp"
	"strings"
	"testing"
	"time"

	client "github.com/visitwright/visitwright/clients/go"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// typing runs the program with something on standard input.
func (h *home) typing(input string, args ...string) answer {
	h.t.Helper()
	h.t.Setenv("VISITWRIGHT_DATA", h.dir)
	var out, err bytes.Buffer
	code := run(context.Background(), args, world{in: strings.NewReader(input), out: &out, err: &err, now: time.Now})
	return answer{out.String(), err.String(), code}
}

func (h *home) typed(input string, args ...string) string {
	h.t.Helper()
	a := h.typing(input, args...)
	if a.code != exitDone {
		h.t.Fatalf("visitwright %s: exit %d\n%s%s", strings.Join(args, " "), a.code, a.out, a.err)
	}
	return a.out
}

// A new practice has nobody who may sign in; whoever owns the data folder lets
// in the first manager, and the first manager everybody else.
func TestANewPracticeLetsInItsFirstManagerAndTheManagerTheOthers(t *testing.T) {
	h := newHome(t)
	golden(t, "person-add", h.typed("nine small herons\n", "person", "add", "Mina", "manager", "--called", "Mina, practice manager"))
	running := h.serve()
	c, err := client.Connect(running.address, client.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = c.Close() }()
	in, err := c.Identity.SignIn(t.Context(), &vw.SignInRequest{SignInName: "mina", Passphrase: "nine small herons"})
	if err != nil {
		t.Fatal(err)
	}
	as := []string{"--server", running.address, "--token", in.GetSessionToken()}
	invented := h.must(append([]string{"person", "add", "front.desk", "reception", "--invent"}, as...)...)
	found := regexp.MustCompile(`passphrase\s+([a-z2-9]{4}(-[a-z2-9]{4}){3})\n`).FindStringSubmatch(invented)
	if found == nil {
		t.Fatalf("no passphrase in\n%s", invented)
	}
	if _, err := c.Identity.SignIn(t.Context(), &vw.SignInRequest{SignInName: "front.desk", Passphrase: found[1]}); err != nil {
		t.Error(err)
	}
	h.must(append([]string{"person", "change", "FRONT.DESK", "--no-active"}, as...)...)
	golden(t, "person-list", h.must(append([]string{"person", "list"}, as...)...))
	// Her own, with the one until now; and she stays signed in.
	h.typed("nine small herons\nten grey herons\n", append([]string{"person", "passphrase"}, as...)...)
	h.must(append([]string{"person", "list"}, as...)...)
	if _, err := c.Identity.SignIn(t.Context(), &vw.SignInRequest{SignInName: "mina", Passphrase: "ten grey herons"}); err != nil {
		t.Error(err)
	}
	trail := h.must("audit", "list")
	if !strings.Contains(trail, "SignIn") || !strings.Contains(trail, "Mina, manager") || !strings.Contains(trail, "SetPassphrase") || strings.Contains(trail, "herons") {
		t.Errorf("the trail:\n%s", trail)
	}
	if strings.Contains(running.log.String(), "herons") || strings.Contains(running.log.String(), in.GetSessionToken()) {
		t.Error("the log holds a secret")
	}
}

func TestWhatIsWrongWithAPersonIsSaid(t *testing.T) {
	h := newHome(t)
	h.must("person", "add", "ida", "nurse", "--invent")
	for _, try := range []struct {
		in, args, want string
		code           int
	}{
		{"", "person add ben nurse", "standard input", exitUsage},
		{"short\n", "person add ben nurse", "passphrase", exitRefused},
		{strings.Repeat("x", 2000), "person add ben nurse", "too long", exitUsage},
		{"", "person add IDA nurse --invent", "SIGN_IN_NAME_TAKEN", exitRefused},
		{"", "person add ben dentist --invent", "must be one of", exitUsage},
		{"", "person add ben clinician --clinician 01nobody --invent", "CLINICIAN_NOT_FOUND", exitRefused},
		{"", "person change ida", "nothing to change", exitUsage},
		{"", "person change nobody --role nurse", "nobody signs in", exitRefused},
		{"", "person passphrase", "whose", exitUsage},
		{"", "person list --as nurse", "ROLE_NOT_ALLOWED", exitRefused},
		{"", "serve --session-idle 1m", "idle limit", exitUsage},
	} {
		a := h.typing(try.in, strings.Fields(try.args)...)
		if a.code != try.code || !strings.Contains(a.err, try.want) {
			t.Errorf("visitwright %s: exit %d, want %d and %q: %s", try.args, a.code, try.code, try.want, a.err)
		}
	}
}
