package anatomy

import (
	"fmt"
	"math"
	"sort"
	"strings"

	"github.com/visitwright/visitwright/planner/provenance"
	"github.com/visitwright/visitwright/planner/tooth"
)

// Question asks how many canals to treat a tooth has.
//
// A patient's ethnicity is not asked and not used, although published shares
// differ between populations: the figures describe the patients of particular
// clinics, say little about one person, and would put a guess about somebody's
// descent into a plan. Regional ranges are shown instead, and a practice may
// set its own row. Age and sex are not used either: their published directions
// conflict.
type Question struct {
	Kind  tooth.Kind
	Shape Shape // "" or Usual when no other shape is known
	// Prior replaces the planning row that ships, for example by a practice's own
	// figures (marked local); nil for the shipped row of the shape.
	Prior    *Row
	Evidence []Evidence // at most MostEvidence, in any order
}

// MostEvidence is the largest number of pieces of evidence taken at once.
const MostEvidence = 16

// Weighed says what became of one piece of evidence.
type Weighed struct {
	Evidence
	Counted bool            `json:"counted"`
	Text    string          `json:"text"` // what it is, whether it counts and why
	Mark    provenance.Mark `json:"mark"` // standing of its figures, the weaker half
}

// FurtherOdds is the share of teeth with a given further canal, before and
// after the evidence.
type FurtherOdds struct {
	Canals int     `json:"canals"` // so many canals to treat, this one included
	Name   string  `json:"name"`
	Words  string  `json:"words"`
	Before float64 `json:"before"`
	Now    float64 `json:"now"`
}

// Belief is what is expected of a tooth's canals to treat.
type Belief struct {
	Kind   tooth.Kind `json:"kind"`
	Shape  Shape      `json:"shape"`
	Count  Count      `json:"count"`  // always canals to treat
	Before []float64  `json:"before"` // shares before the evidence; index = canals
	P      []float64  `json:"p"`      // shares with the evidence; P[0] is 0; sums to 1
	// Located is the least number there must be: canals with a file in them.
	Located int `json:"located"`
	// Expected canals are found at access if they exist: the routine number, or
	// more when more were seen, filled or located. Canals beyond need a search.
	Expected int `json:"expected"`
	// Names of the canals in order of treatment, further ones last; len(P)-1.
	Names   []string        `json:"names"`
	Further []FurtherOdds   `json:"further"`
	Weighed []Weighed       `json:"weighed"`
	Lines   []Line          `json:"lines"` // the explanation, most important first
	Mark    provenance.Mark `json:"mark"`  // the weakest figure that counted
}

// AtLeast is the share with n canals to treat or more.
func (b Belief) AtLeast(n int) float64 { return atLeast(b.P, n) }

// noShift is a change of log odds that is only rounding.
const noShift = 1e-9

// item is a piece of evidence with its likelihood.
type item struct {
	Evidence
	row     signRow
	likely  []float64
	shift   float64 // change of the log odds of a further canal if it stood alone
	counted bool
	aside   string // why it is not counted
}

// Believe weighs the evidence.
//
// Signs of one group look at the same thing: films and volumes at the image of
// the root, orifices at the chamber floor, searches at the search, the earlier
// treatment, the other side. Within a group at most two pieces count: the
// strongest for a further canal and the strongest against one. Signs that say
// the same are therefore never multiplied with each other, and signs that
// disagree pull against each other instead of the weaker one vanishing. For a
// vanishing canal without a visible division this gives nearly what the two
// published pairs give when every division also interrupts the canal. A
// positive reading of a better image sets aside the negative of a worse one.
// Groups are taken as independent, given the true number.
//
// Errors: ErrImpossible, ErrContradiction, ErrEvidence, or an unknown kind or
// shape.
func Believe(q Question) (Belief, error) {
	if q.Shape == "" {
		q.Shape = Usual
	}
	prior, err := q.prior()
	if err != nil {
		return Belief{}, err
	}
	f := frame{prior: prior.P, routine: Routine(q.Kind, q.Shape), most: prior.MostOf()}
	f.routine = min(f.routine, f.most)
	evidence, located, err := q.read(f)
	if err != nil {
		return Belief{}, err
	}

	start := restrict(prior.P[:f.most+1], located)
	if start == nil {
		return Belief{}, &Contradiction{canalsText(located) + " located with a file", "the planning row holds so many for impossible",
			"correct the practice's own row"}
	}
	further := max(f.routine, located) + 1 // the first canal that is not taken for granted
	items := make([]*item, len(evidence))
	for i, e := range evidence {
		row, _ := signFor(e.Sign, q.Kind)
		it := &item{Evidence: e, row: row, likely: row.likelihood(e, f)}
		it.aside = overruled(e, located)
		// The largest count of the row is possible under every reading, so the
		// product never vanishes.
		it.shift = logOdds(multiply(start, it.likely), further) - logOdds(start, further)
		if math.Abs(it.shift) < noShift {
			it.shift = 0
		}
		items[i] = it
	}
	setAsideLesserNegatives(items)
	posterior := choose(start, items, further)

	b := Belief{
		Kind: q.Kind, Shape: q.Shape, Count: CanalsToTreat,
		Before: append([]float64(nil), prior.P[:f.most+1]...), P: posterior,
		Located: located, Expected: expected(f, evidence, located), Mark: prior.Mark,
	}
	if b.Names, err = Sequence(q.Kind, q.Shape, b.Expected, f.most); err != nil {
		return Belief{}, err
	}
	for _, it := range items {
		b.Weighed = append(b.Weighed, it.weighed())
		if it.counted {
			b.Mark = weaker(b.Mark, it.row.mark())
		}
	}
	return b, b.explain(prior, further, f.most)
}

func (q Question) prior() (Row, error) {
	shippedRow, err := PriorOf(q.Kind, q.Shape)
	if err != nil || q.Prior == nil {
		return shippedRow, err
	}
	own := *q.Prior
	if len(own.P) != Most+1 || own.P[0] != 0 {
		return Row{}, fmt.Errorf("canal shares of the %s: want %d, for 0 to %d canals, the first 0", q.Kind.Words(), Most+1, Most)
	}
	sum := 0.0
	for n, p := range own.P {
		if math.IsNaN(p) || p < 0 || p > 1 {
			return Row{}, fmt.Errorf("canal shares of the %s: %g for %d canals; want 0 to 1", q.Kind.Words(), p, n)
		}
		sum += p
	}
	if math.Abs(sum-1) > 1e-9 {
		return Row{}, fmt.Errorf("canal shares of the %s sum to %g; want 1", q.Kind.Words(), sum)
	}
	if err := own.Mark.Validate(); err != nil {
		return Row{}, fmt.Errorf("canal shares of the %s: %w", q.Kind.Words(), err)
	}
	if most := shippedRow.MostOf(); own.MostOf() > most {
		return Row{}, impossible(q.Kind, q.Shape, "canal shares for", own.MostOf(), most)
	}
	return own, nil
}

// read puts the evidence into one order, drops repetitions and finds the number
// located, so that the answer does not depend on the order of entry.
func (q Question) read(f frame) ([]Evidence, int, error) {
	if len(q.Evidence) > MostEvidence {
		return nil, 0, fmt.Errorf("%w: %d pieces; want at most %d", ErrEvidence, len(q.Evidence), MostEvidence)
	}
	located := 0
	for _, e := range q.Evidence {
		if e.Sign == CanalsLocated || isSearch(e.Sign) {
			located = max(located, e.Count)
		}
	}
	seen := map[Evidence]bool{}
	var out []Evidence
	for _, e := range q.Evidence {
		e, err := q.fill(e, f, located)
		if err != nil {
			return nil, 0, err
		}
		if !seen[e] {
			seen[e] = true
			out = append(out, e)
		}
	}
	order := map[Sign]int{}
	for i, s := range Signs() {
		order[s] = i
	}
	sort.SliceStable(out, func(i, j int) bool {
		a, b := out[i], out[j]
		if a.Sign != b.Sign {
			return order[a.Sign] < order[b.Sign]
		}
		if a.Count != b.Count {
			return a.Count < b.Count
		}
		return !a.Absent && b.Absent
	})
	if err := q.contradiction(out, located); err != nil {
		return nil, 0, err
	}
	least := leastOf(f.prior)
	for _, e := range out {
		if q.Shape != Usual && e.Sign == CBCTCount && e.Count < least && located < least {
			return nil, 0, &Contradiction{"a " + q.Shape.Words(), phrase(e),
				fmt.Sprintf("such a tooth has at least %s: correct the shape or the count", canalsText(least))}
		}
	}
	return out, located, nil
}

func leastOf(p []float64) int {
	for n := 1; n < len(p); n++ {
		if p[n] > 0 {
			return n
		}
	}
	return 0
}

// overruled says why evidence below the number located no longer counts.
func overruled(e Evidence, located int) string {
	switch {
	case located == 0 || e.Sign == CanalsLocated:
		return ""
	case isSearch(e.Sign) && e.Count < located:
		return fmt.Sprintf("%s located since", canalsText(located))
	case e.Count > 0 && e.Count < located && e.Sign != ContralateralCount && e.Sign != FilledCount:
		return fmt.Sprintf("%s located, which overrules it", canalsText(located))
	case e.Sign == FurtherOrifice && e.Count <= located:
		return "that canal is located already"
	}
	return ""
}

// setAsideLesserNegatives: what a worse image does not show is no evidence
// once a better image shows it.
func setAsideLesserNegatives(items []*item) {
	for _, better := range items {
		if better.aside != "" || better.shift <= 0 || better.row.form != formCount {
			continue
		}
		for _, worse := range items {
			if worse.row.group == better.row.group && worse.row.rank < better.row.rank && worse.shift < 0 && worse.aside == "" {
				worse.aside = "a better image shows more (" + phrase(better.Evidence) + ")"
			}
		}
	}
}

// choose picks, in each group, at most one piece for a further canal and one
// against, and returns the shares that follow.
//
// Pieces for are picked to raise the odds of a further canal most, pieces
// against then to lower them most. A further piece for can therefore never
// lower the odds, nor one against raise them, whatever else is known.
func choose(start []float64, items []*item, further int) []float64 {
	var groups []string
	picks := map[string]*picking{}
	for _, it := range items {
		if it.aside != "" || it.row.form == formLocated {
			it.counted = it.row.form == formLocated
			continue
		}
		g, ok := picks[it.row.group]
		if !ok {
			g = &picking{}
			picks[it.row.group] = g
			groups = append(groups, it.row.group)
		}
		switch {
		case it.shift > 0:
			g.pro = append(g.pro, it)
		case it.shift < 0:
			g.con = append(g.con, it)
		default:
			it.aside = "it says nothing about a further canal of this tooth"
		}
	}
	var slots [][]*item // pros first, then cons
	for _, name := range groups {
		if g := picks[name]; len(g.pro) > 0 {
			slots = append(slots, g.pro)
		}
	}
	pros := len(slots)
	for _, name := range groups {
		if g := picks[name]; len(g.con) > 0 {
			slots = append(slots, g.con)
		}
	}
	best := search(start, slots, 0, pros, further)
	for _, it := range best.picked {
		it.counted = true
	}
	strongest := map[string][]string{}
	for _, it := range best.picked {
		strongest[it.row.group] = append(strongest[it.row.group], phrase(it.Evidence))
	}
	for _, it := range items {
		if !it.counted && it.aside == "" {
			it.aside = "it looks at the same thing as what already counts"
			if s := strongest[it.row.group]; len(s) > 0 {
				it.aside += " (" + strings.Join(s, "; ") + ")"
			}
		}
	}
	return best.p
}

type picking struct{ pro, con []*item }

type pick struct {
	p      []float64
	value  float64
	picked []*item
}

// search tries every choice of one piece or none from each slot: the slots of
// pieces for maximise the odds of a further canal, those against minimise them.
func search(p []float64, slots [][]*item, at, pros, further int) pick {
	if at == len(slots) {
		return pick{p: p, value: atLeast(p, further)}
	}
	best := search(p, slots, at+1, pros, further)
	for _, it := range slots[at] {
		got := search(multiply(p, it.likely), slots, at+1, pros, further)
		better := got.value > best.value
		if at >= pros {
			better = got.value < best.value
		}
		if better {
			got.picked = append(got.picked, it)
			best = got
		}
	}
	return best
}

// restrict drops counts below the number located; nil when nothing is left.
func restrict(p []float64, least int) []float64 {
	out := make([]float64, len(p))
	for n := max(least, 1); n < len(p); n++ {
		out[n] = p[n]
	}
	return normalised(out)
}

func multiply(p, likely []float64) []float64 {
	out := make([]float64, len(p))
	for n := range p {
		out[n] = p[n] * likely[n]
	}
	return normalised(out)
}

func normalised(p []float64) []float64 {
	sum := 0.0
	for _, v := range p {
		sum += v
	}
	if sum <= 0 {
		return nil
	}
	for n := range p {
		p[n] /= sum
	}
	return p
}

func logOdds(p []float64, n int) float64 {
	above := atLeast(p, n)
	const edge = 1e-12 // keeps certainty finite, so that shifts can be compared
	return math.Log((above + edge) / (1 - above + edge))
}

// expected canals: what access finds without a search, if it exists. After a
// search, that is what it found: the rest needs another.
func expected(f frame, evidence []Evidence, located int) int {
	n := max(f.routine, located)
	for _, e := range evidence {
		if isSearch(e.Sign) {
			return max(located, 1)
		}
	}
	for _, e := range evidence {
		switch e.Sign {
		case FilmCount, AngledFilmCount, CBCTCount, FilledCount, FurtherOrifice:
			n = max(n, e.Count) // seen, so it will be looked for in its place
		}
	}
	return min(n, f.most)
}
