package check

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
)

// A plan file is enough: what the command line printed is simulated again from
// that file alone.
func TestAPlanFileFromTheCommandLineHoldsAllThatIsNeededToSimulateItAgain(t *testing.T) {
	all := newFamily(t)
	program := filepath.Join(t.TempDir(), "visitwright")
	if out, err := exec.CommandContext(t.Context(), "go", "build", "-o", program, "../../cmd/visitwright").CombinedOutput(); err != nil {
		t.Fatalf("building the command line: %v\n%s", err, out)
	}
	for _, c := range []struct {
		name string
		args []string
	}{
		{"the necrotic lower molar", []string{"--tooth", "46", "--diagnosis", "necrotic-lesion"}},
		{"an upper incisor with a living pulp", []string{"--tooth", "11", "--diagnosis", "irreversible-pulpitis"}},
		{"a treated upper molar done again", []string{"--tooth", "26", "--protocol", "retreatment", "--diagnosis", "previously-treated"}},
		{"a patient who bears an hour and a half", []string{"--tooth", "36", "--diagnosis", "necrotic-lesion", "--bear-minutes", "90"}},
	} {
		t.Run(c.name, func(t *testing.T) {
			file := runProgram(t, program, append([]string{"plan", "-o", "json"}, c.args...)...)
			options, err := ReadPlanFile(file)
			if err != nil {
				t.Fatal(err)
			}
			if len(options) == 0 {
				t.Fatal("the plan has no option that can be booked")
			}
			for _, o := range options {
				booking := o.Answer.Booking()
				clock := all.clock(o.Answer.taken()...)
				all.hold(t, o.Option, func(seed uint64) []Comparison {
					s, err := Simulate(o.Treatment, booking, seed, courses, clock)
					if err != nil {
						t.Fatal(err)
					}
					return Compare(o.Answer, s)
				})
			}
		})
	}
}

// runProgram runs the program with a home of its own and returns what it wrote
// to standard output.
func runProgram(t *testing.T, program string, args ...string) []byte {
	t.Helper()
	home := t.TempDir()
	cmd := exec.CommandContext(t.Context(), program, args...)
	cmd.Env = append(os.Environ(), "HOME="+home, "XDG_DATA_HOME="+home, "XDG_CONFIG_HOME="+home)
	var stdout, stderr bytes.Buffer
	cmd.Stdout, cmd.Stderr = &stdout, &stderr
	if err := cmd.Run(); err != nil {
		t.Fatalf("%v: %v\n%s", args, err, stderr.Bytes())
	}
	return stdout.Bytes()
}
