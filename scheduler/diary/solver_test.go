package diary_test

import (
	"fmt"
	"math"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/visitwright/visitwright/scheduler/civil"
	"github.com/visitwright/visitwright/scheduler/diary"
)

// program writes a request as a mixed-integer program in the LP format that
// both solvers read. Each visit takes one start; for that start one clinician,
// room, nurse and unit that are free for their own parts; the days between
// visits, the distance from the target and the change of clinician are linear.
// It knows nothing of masks, paths or candidates.
type program struct {
	o      *oracle
	obj    []string
	rows   []string
	binary []string
}

func (p *program) add(format string, args ...any) {
	p.rows = append(p.rows, fmt.Sprintf(format, args...))
}

func (p *program) cost(c int, name string) {
	if c != 0 {
		p.obj = append(p.obj, fmt.Sprintf("%d %s", c, name))
	}
}

func (p *program) text() string {
	var b strings.Builder
	b.WriteString("Minimize\n cost:")
	for _, t := range p.obj {
		fmt.Fprintf(&b, "\n + %s", t)
	}
	b.WriteString("\nSubject To\n")
	for i, r := range p.rows {
		fmt.Fprintf(&b, " r%d: %s\n", i, r)
	}
	b.WriteString("Binary\n")
	for _, n := range p.binary {
		fmt.Fprintf(&b, " %s\n", n)
	}
	b.WriteString("End\n")
	return b.String()
}

// resource lists the starts at which a resource can serve a visit, with what it
// loses.
func (p *program) resource(v int, r diary.Ref, kind string, d, c int) (lost int, ok bool) {
	visit := p.o.req.Visits[v]
	var taken []int
	for _, part := range visit.Parts {
		if part.Needs != r.Kind || part.Equipment != kind {
			continue
		}
		for m := part.From; m < part.To; m += 5 {
			cell := c + m/5
			if cell < 0 || cell >= p.o.lengths[d] || !p.o.free[r][d][cell] {
				return 0, false
			}
			taken = append(taken, cell)
		}
	}
	return p.o.weight(r.Kind) * (p.o.capacity(r, d, nil) - p.o.capacity(r, d, taken)), true
}

func newProgram(o *oracle) *program {
	p := &program{o: o}
	req := o.req
	refs := practiceRefs(o.p)
	w := req.Weights
	today := o.p.Zone.Date(req.Now).DaysSince(o.first)
	for v, visit := range req.Visits {
		var one, day []string
		perClinician := map[string][]string{}
		for d := range o.days {
			for c := range o.lengths[d] {
				if !o.suits(visit, d, c) {
					continue
				}
				x := fmt.Sprintf("x_%d_%d_%d", v, d, c)
				use := map[diary.Kind][]string{}
				for _, r := range refs {
					kind := ""
					if r.Kind == diary.KindUnit {
						kind = "microscope"
					}
					if lost, ok := p.resource(v, r, kind, d, c); ok {
						name := fmt.Sprintf("u_%d_%d_%d_%s", v, d, c, r.ID)
						use[r.Kind] = append(use[r.Kind], name)
						p.cost(lost, name)
						p.binary = append(p.binary, name)
						if r.Kind == diary.KindClinician {
							perClinician[r.ID] = append(perClinician[r.ID], name)
						}
					}
				}
				p.binary = append(p.binary, x)
				one = append(one, x)
				if d > 0 {
					day = append(day, fmt.Sprintf("%d %s", d, x))
				}
				if v == 0 {
					p.cost(w.WaitDay*urgency[req.Urgency]*(d-today), x)
				}
				for _, k := range []diary.Kind{diary.KindRoom, diary.KindClinician, diary.KindNurse, diary.KindUnit} {
					p.add("%s - %s = 0", sum(use[k]), x)
				}
				for _, u := range o.p.Units {
					name := fmt.Sprintf("u_%d_%d_%d_%s", v, d, c, u.ID)
					if slices.Contains(use[diary.KindUnit], name) {
						var served []string
						for _, r := range u.Rooms {
							if n := fmt.Sprintf("u_%d_%d_%d_%s", v, d, c, r); slices.Contains(use[diary.KindRoom], n) {
								served = append(served, n)
							}
						}
						p.add("%s - %s >= 0", sum(served), name)
					}
				}
			}
		}
		p.add("%s = 1", sum(one))
		p.add("%s - day_%d = 0", sum(day), v)
		for _, c := range o.p.Clinicians {
			p.add("%s - with_%d_%s = 0", sum(perClinician[c.ID]), v, c.ID)
		}
		if v == 0 {
			continue
		}
		p.add("day_%d - day_%d >= %d", v, v-1, visit.Window.Earliest)
		p.add("day_%d - day_%d <= %d", v, v-1, visit.Window.Latest)
		p.add("day_%d - day_%d - late_%d + early_%d = %d", v, v-1, v, v, visit.Window.Target)
		p.cost(w.Late, fmt.Sprintf("late_%d", v))
		p.cost(w.Early, fmt.Sprintf("early_%d", v))
		for _, c := range o.p.Clinicians {
			p.add("with_%d_%s - with_%d_%s - change_%d <= 0", v, c.ID, v-1, c.ID, v)
		}
		switch req.Continuity {
		case diary.RequireSame:
			p.add("change_%d = 0", v)
		case diary.PreferSame:
			p.cost(w.Change, fmt.Sprintf("change_%d", v))
		}
	}
	return p
}

func sum(names []string) string {
	if len(names) == 0 {
		return "0 nothing"
	}
	return strings.Join(names, "\n + ")
}

// solve returns the least cost, or false when nothing fits.
func solve(t *testing.T, solver, file string) (int, bool) {
	t.Helper()
	if _, err := exec.LookPath(solver); err != nil {
		t.Fatalf("%s is missing, and the offers cannot be held against an independent optimum: apt-get install glpk-utils coinor-cbc", solver)
	}
	out := filepath.Join(t.TempDir(), "solution")
	args := map[string][]string{"glpsol": {"--lp", file, "-o", out, "--tmlim", "300"}, "cbc": {file, "sec", "300", "ratio", "0", "solve", "solution", out}}[solver]
	log, err := exec.Command(solver, args...).CombinedOutput()
	if err != nil {
		t.Fatalf("%s: %v\n%s", solver, err, log)
	}
	b, err := os.ReadFile(out)
	if err != nil {
		t.Fatalf("%s left no solution: %v\n%s", solver, err, log)
	}
	text := string(b)
	found := map[string]*regexp.Regexp{
		"glpsol": regexp.MustCompile(`Status: +INTEGER OPTIMAL\nObjective: +cost = ([-0-9.e+]+)`),
		"cbc":    regexp.MustCompile(`^Optimal - objective value ([-0-9.e+]+)`),
	}[solver].FindStringSubmatch(text)
	if found == nil {
		if regexp.MustCompile(`(?i)(infeasible|INTEGER EMPTY)`).MatchString(text) || strings.Contains(string(log), "NO PRIMAL FEASIBLE SOLUTION") {
			return 0, false
		}
		t.Fatalf("%s: no optimum:\n%.400s", solver, text)
	}
	v, err := strconv.ParseFloat(found[1], 64)
	if err != nil || math.Abs(v-math.Round(v)) > 1e-4 {
		t.Fatalf("%s: objective %s", solver, found[1])
	}
	return int(math.Round(v)), true
}

// largerDiary is an invented practice of 4 rooms, 3 clinicians, 3 nurses and 2
// microscopes that each serve two rooms, open three hours on 20 days, six
// tenths full; and a request for 2 or 3 visits at least a day apart.
func largerDiary(t *testing.T, seed uint64) (*diary.Practice, civil.Date, int, []diary.Booking, *diary.Request) {
	rng := rand.New(rand.NewPCG(seed, 7))
	first, days := civil.MustDate("2026-09-07"), 20
	p := &diary.Practice{Zone: zone(t, "Europe/Berlin"), Calendar: civil.Calendar{Hours: civil.Always(everyDay(span(540, 720)))},
		Useful: []diary.UsefulLength{{Minutes: 30, Weight: 1}, {Minutes: 45, Weight: 2}, {Minutes: 60, Weight: 3}}}
	for i := range 4 {
		p.Rooms = append(p.Rooms, diary.Room{ID: fmt.Sprint("R", i)})
	}
	for i := range 3 {
		p.Clinicians = append(p.Clinicians, diary.Clinician{ID: fmt.Sprint("C", i), Protocols: []string{"primary"}})
		p.Nurses = append(p.Nurses, diary.Nurse{ID: fmt.Sprint("N", i)})
	}
	p.Units = []diary.Unit{{ID: "M0", Kind: "microscope", Rooms: []string{"R0", "R1"}}, {ID: "M1", Kind: "microscope", Rooms: []string{"R1", "R2"}}}
	var out []diary.Booking
	for _, r := range practiceRefs(p) {
		for d := range days {
			for at := 540 + 5*rng.IntN(8); at < 720; {
				n := 5 * (3 + rng.IntN(14))
				in := civil.Interval{Start: p.Zone.Resolve(civil.LocalTime{Date: first.AddDays(d), Time: civil.TimeOfDay(at)})}
				in.End = in.Start.Add(time.Duration(n) * time.Minute)
				if rng.IntN(5) > 1 {
					out = append(out, diary.Booking{ID: fmt.Sprint(r, d, at), Chair: in, Holds: []diary.Hold{{Resource: r, Time: in}}})
				}
				at += n
			}
		}
	}
	req := &diary.Request{Now: p.Zone.Day(first).Start, Best: 1, Continuity: diary.Continuity(seed % 3), Urgency: diary.Urgency(seed % 2),
		Weights: diary.Weights{WaitDay: 5 + rng.IntN(20), Early: 1 + rng.IntN(10), Late: 1 + rng.IntN(10), Change: 30, Room: 4, Clinician: 10, Nurse: 2, Unit: 6}}
	for v := range 2 + int(seed%2) {
		minutes := []int{40, 25, 20}[v]
		m := diary.Manner{Prepare: 5, CleanUp: 5, OnsetFrom: 5, OnsetTo: 10, NurseFrom: 10, NurseTo: 5, Equipment: []diary.Use{{Kind: "microscope", From: 10}}}
		target := 3 + rng.IntN(4)
		req.Visits = append(req.Visits, diary.Visit{Protocol: "primary", Minutes: minutes, Parts: m.Parts(minutes),
			Window: diary.Window{Earliest: 1 + rng.IntN(2), Target: target, Latest: target + rng.IntN(4)}})
	}
	req.Visits[0].Window = diary.AnyDay
	return p, first, days, out, req
}

func TestTheBestOfferIsTheOptimumOfAGeneralPurposeSolver(t *testing.T) {
	feasible := 0
	for seed := range uint64(24) {
		p, first, days, bookings, req := largerDiary(t, seed)
		m, err := diary.Build(p, first, days, 1, bookings)
		if err != nil {
			t.Fatal(err)
		}
		got, err := m.Search(req)
		if err != nil {
			t.Fatal(err)
		}
		file := filepath.Join(t.TempDir(), fmt.Sprintf("diary-%d.lp", seed))
		if err := os.WriteFile(file, []byte(newProgram(newOracle(p, first, days, bookings, req)).text()), 0o600); err != nil {
			t.Fatal(err)
		}
		for _, solver := range []string{"cbc", "glpsol"} {
			best, ok := solve(t, solver, file)
			if ok != (len(got.Offers) > 0) {
				t.Errorf("seed %d: %s finds a set: %v, Search: %v", seed, solver, ok, len(got.Offers) > 0)
			} else if ok && best != got.Offers[0].Cost.Sum() {
				t.Errorf("seed %d: %s reaches %d, Search %d with %v", seed, solver, best, got.Offers[0].Cost.Sum(), got.Offers[0].Places)
			}
		}
		if len(got.Offers) > 0 {
			feasible++
		}
	}
	if feasible < 20 {
		t.Errorf("only %d of 24 diaries have an offer, want at least 20", feasible)
	}
}
