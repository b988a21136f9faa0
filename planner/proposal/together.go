package proposal

import (
	"fmt"
	"slices"
	"strings"

	"github.com/visitwright/visitwright/planner/chairtime"
	"github.com/visitwright/visitwright/planner/protocol"
	"github.com/visitwright/visitwright/planner/tooth"
)

// Together is a plan for several teeth of one patient in the same visits: one
// start of visit and one anaesthetic total.
type Together struct {
	Plans       []Plan        `json:"plans"` // in the order given; the first opens each visit
	Visits      []SharedVisit `json:"visits"`
	Reasons     []Reason      `json:"reasons"` // against treating them together, strongest first
	Anaesthetic Anaesthetic   `json:"anaesthetic"`
}

// SharedVisit is one appointment for all teeth.
type SharedVisit struct {
	Number  int            `json:"number"`
	Teeth   []string       `json:"teeth"` // treated in it
	Length  int            `json:"length"`
	OnTime  Odds           `json:"on_time"`
	Minutes chairtime.Dist `json:"minutes"`
	// Earliest and Latest are the days that suit every tooth, counted from the
	// visit before; NoDay says that there is none.
	Earliest int  `json:"earliest"`
	Latest   int  `json:"latest"`
	Target   int  `json:"target"`
	NoDay    bool `json:"no_day"`
}

// mostTeeth that one visit may hold; more is no single visit.
const mostTeeth = 8

// ProposeTogether plans several teeth of one patient for the same visits, each
// by its own recommended option. Patient and clinic are those of the first
// tooth. Teeth are taken as independent given their own plans.
func ProposeTogether(ins []Input) (Together, error) {
	if len(ins) < 2 || len(ins) > mostTeeth {
		return Together{}, &protocol.InputError{Field: "teeth", Problem: fmt.Sprintf("%d teeth", len(ins)), Want: fmt.Sprintf("2 to %d", mostTeeth)}
	}
	out := Together{Plans: []Plan{}, Visits: []SharedVisit{}, Reasons: []Reason{}}
	seen := map[tooth.Code]bool{}
	for i, in := range ins {
		if seen[in.Tooth] {
			return Together{}, &protocol.InputError{Field: fmt.Sprintf("teeth[%d].tooth", i), Problem: in.Tooth.String() + " is named twice", Want: "each tooth once"}
		}
		seen[in.Tooth] = true
		in.Patient, in.Clinic, in.SharesVisit = ins[0].Patient, ins[0].Clinic, i > 0
		p, err := Propose(in)
		if err != nil {
			return Together{}, fmt.Errorf("teeth[%d]: %w", i, err)
		}
		if p.Recommended == "" {
			return Together{}, &protocol.InputError{Field: fmt.Sprintf("teeth[%d]", i), Problem: "no option of " + p.ToothLabel + " can be planned", Want: "teeth that can be treated"}
		}
		out.Plans = append(out.Plans, p)
	}
	first := ins[0]
	for n := 1; ; n++ {
		v, ok, err := out.shared(n, first)
		if err != nil {
			return Together{}, err
		}
		if !ok {
			break
		}
		out.Visits = append(out.Visits, v)
	}
	if err := out.against(ins, first); err != nil {
		return Together{}, err
	}
	limit, err := anaestheticLimit(first)
	if err != nil {
		return Together{}, err
	}
	out.Anaesthetic = limit
	return out, nil
}

// shared adds up visit n of every tooth that has one booked.
func (t Together) shared(n int, first Input) (SharedVisit, bool, error) {
	out := SharedVisit{Number: n, Teeth: []string{}, Minutes: chairtime.Exactly(0)}
	windows := 0
	for _, p := range t.Plans {
		o, _ := p.Option(p.Recommended)
		if n > o.Earliest || n > len(o.Visits) {
			continue
		}
		v := o.Visits[n-1]
		out.Teeth = append(out.Teeth, p.ToothLabel)
		out.Minutes = out.Minutes.Plus(v.booked(n), capOf(first))
		if v.Window != nil && v.Window.Needed {
			if windows == 0 {
				out.Earliest, out.Latest, out.Target = v.Window.Earliest, v.Window.Latest, v.Window.Target
			} else {
				out.Earliest, out.Latest, out.Target = max(out.Earliest, v.Window.Earliest), min(out.Latest, v.Window.Latest), min(out.Target, v.Window.Target)
			}
			windows++
		}
	}
	if len(out.Teeth) == 0 {
		return out, false, nil
	}
	out.NoDay = out.Latest < out.Earliest
	out.Target = min(max(out.Target, out.Earliest), max(out.Latest, out.Earliest))
	return out, true, out.book(first)
}

// Joint is one visit in which each tooth, in the order of the plans, has the
// visit named of the option named: what is booked need not be what is
// recommended, nor the same visit of every tooth. Days are left to the plans
// that were kept. ok is false when an option cannot share its visit.
func (t Together) Joint(options []string, visits []int, first Input) (out SharedVisit, ok bool, err error) {
	out = SharedVisit{Teeth: []string{}, Minutes: chairtime.Exactly(0)}
	if len(options) != len(t.Plans) || len(visits) != len(t.Plans) {
		return out, false, nil
	}
	for i, p := range t.Plans {
		o, found := p.Option(options[i])
		if !found || !o.Feasible || visits[i] < 1 || visits[i] > len(o.Visits) {
			return out, false, nil
		}
		if i == 0 {
			out.Number = visits[i]
		}
		out.Teeth = append(out.Teeth, p.ToothLabel)
		out.Minutes = out.Minutes.Plus(o.Visits[visits[i]-1].booked(visits[i]), capOf(first))
	}
	return out, true, out.book(first)
}

// booked is the minutes of visit n as they are booked ahead: a later visit may
// turn out not to be needed.
func (v Visit) booked(n int) chairtime.Dist {
	if n > 1 {
		return v.Minutes.Maybe(v.Needed.P)
	}
	return v.Minutes
}

// book sets the length to book for the minutes of all teeth, and its odds.
func (v *SharedVisit) book(first Input) error {
	best, err := v.Minutes.BestLength(longGrid(first), first.Clinic.Cost.Overrun, first.Clinic.Cost.Idle)
	v.Length, v.OnTime = best.Minutes, oddsWords(best.Quantile, "finish on time")
	return err
}

// longGrid lets a visit for several teeth be longer than the longest that the
// practice books for one.
func longGrid(in Input) chairtime.Grid {
	g := in.Clinic.Grid
	return chairtime.Grid{Least: g.Least, Most: g.Least + (capOf(in)-g.Least)/g.Step*g.Step, Step: g.Step}
}

// against collects what speaks against treating the teeth in the same visits.
func (t *Together) against(ins []Input, first Input) error {
	tables, err := data()
	if err != nil {
		return err
	}
	sides := map[tooth.Side]bool{}
	for _, in := range ins {
		if lowerBlock(in.Tooth) {
			sides[in.Tooth.Side()] = true
		}
	}
	f := facts{"two-lower-blocks": len(sides) == 2}
	for _, r := range tables.apply(f, false) {
		if r.Rule == "lower-blocks" {
			t.Reasons = append(t.Reasons, r)
		}
	}
	bear := first.Patient.Bear
	for _, v := range t.Visits {
		if p := v.Minutes.LongerThan(bear.Minutes); bear.Minutes > 0 && p > bear.Chance {
			t.Reasons = append(t.Reasons, Reason{Rule: "bear", Strength: AdvisesAgainst, Mark: mark("local", "what this patient can bear, as assessed"),
				Text: fmt.Sprintf("Together visit %d lasts longer than %d minutes too often (%s): treat on separate days.", v.Number, bear.Minutes, count(p))})
		}
		if v.NoDay {
			t.Reasons = append(t.Reasons, Reason{Rule: "no-common-day", Strength: AdvisesAgainst, Mark: mark("practice", "the return windows of the teeth"),
				Text: fmt.Sprintf("No day suits all of %s for visit %d: the windows do not meet.", strings.Join(v.Teeth, "; "), v.Number)})
		}
	}
	slices.SortStableFunc(t.Reasons, func(a, b Reason) int { return weight(a.Strength) - weight(b.Strength) })
	return nil
}
