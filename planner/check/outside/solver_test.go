// Package outside holds checks whose right answer was published, or comes from
// a general-purpose solver that Debian ships, never from this repository.
package outside

import (
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strconv"
	"testing"
	"time"
)

// solverLimit bounds one call of an outside solver; each instance here takes
// well under a second.
const solverLimit = 2 * time.Minute

// run starts an outside program and returns what it printed.
func run(t *testing.T, name string, args ...string) string {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), solverLimit)
	defer cancel()
	out, err := exec.CommandContext(ctx, name, args...).CombinedOutput()
	if err != nil {
		t.Fatalf("%s (.ci/install brings it): %v\n%s", name, err, out)
	}
	return string(out)
}

var glpsolObjective = regexp.MustCompile(`Objective:\s+\S+ = (\S+)`)

// glpsol solves a problem in CPLEX LP format with GLPK and returns the optimum.
func glpsol(t *testing.T, lp string) float64 {
	t.Helper()
	problem, solution := writeProblem(t, lp)
	out := run(t, "glpsol", "--lp", problem, "-o", solution)
	report, err := os.ReadFile(solution)
	if err != nil {
		t.Fatal(err)
	}
	if !regexp.MustCompile(`Status:\s+(INTEGER )?OPTIMAL`).Match(report) {
		t.Fatalf("glpsol found no optimum:\n%s\n%s", out, report)
	}
	return number(t, glpsolObjective, string(report))
}

var cbcObjective = regexp.MustCompile(`Optimal.* objective value (\S+)`)

// cbc solves the same problem with COIN-OR's branch and cut.
func cbc(t *testing.T, lp string) float64 {
	t.Helper()
	problem, solution := writeProblem(t, lp)
	run(t, "cbc", problem, "solve", "solu", solution)
	report, err := os.ReadFile(solution)
	if err != nil {
		t.Fatal(err)
	}
	return number(t, cbcObjective, string(report))
}

func writeProblem(t *testing.T, lp string) (problem, solution string) {
	t.Helper()
	dir := t.TempDir()
	problem, solution = filepath.Join(dir, "problem.lp"), filepath.Join(dir, "solution.txt")
	if err := os.WriteFile(problem, []byte(lp), 0o600); err != nil {
		t.Fatal(err)
	}
	return problem, solution
}

func number(t *testing.T, in *regexp.Regexp, text string) float64 {
	t.Helper()
	m := in.FindStringSubmatch(text)
	if m == nil {
		t.Fatalf("no %v in:\n%s", in, text)
	}
	v, err := strconv.ParseFloat(m[1], 64)
	if err != nil {
		t.Fatal(fmt.Errorf("the solver's objective: %w", err))
	}
	return v
}
