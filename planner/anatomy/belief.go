package anatomy

import (
	"fmt"
	"math"
	"sort"

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

	if located > f.most {
		return q.beyondTables(prior, f, evidence, located)
	}
	start := restrict(prior.P[:f.most+1], located)
	if start == nil {
		return Belief{}, &Contradiction{canalsText(located) + " located with a file", "the planning row holds so many for impossible",
			"correct the practice's own row", nil}
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

// beyondTables answers when a file is in one canal more than any table has for
// the tooth. The finding stands, with the question that it raises; everything
// else that was seen is beside the point.
func (q Question) beyondTables(prior Row, f frame, evidence []Evidence, located int) (Belief, error) {
	b := Belief{
		Kind: q.Kind, Shape: q.Shape, Count: CanalsToTreat, Located: located, Expected: located, Mark: prior.Mark,
		Before: append([]float64(nil), prior.P[:f.most+1]...), P: make([]float64, located+1),
	}
	b.Before = append(b.Before, 0)
	b.P[located] = 1
	var err error
	if b.Names, err = Sequence(q.Kind, q.Shape, f.most, f.most); err != nil {
		return Belief{}, err
	}
	b.Names = append(b.Names, extraCanal)
	for _, e := range evidence {
		row, _ := signFor(e.Sign, q.Kind)
		it := &item{Evidence: e, row: row}
		if it.counted = row.form == formLocated; !it.counted {
			it.aside = canalsText(located) + " located, which settles it"
		}
		b.Weighed = append(b.Weighed, it.weighed())
	}
	b.Lines = append(b.Lines, Line{
		Text: fmt.Sprintf("%s located, more than the tables know for %s (%d): confirm on a film or by the apex locator that each is a canal and none a perforation",
			canalsText(located), article(q.Kind.Words()), f.most),
		Mark: prior.Mark,
	}, Line{Text: priorText(prior, &b), Mark: prior.Mark})
	for _, w := range b.Weighed {
		b.Lines = append(b.Lines, Line{Text: w.Text, Mark: w.Mark})
	}
	return b, nil
}

// extraCanal names a canal that no table has for its tooth.
const extraCanal = "extra"

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
	at := map[Evidence]int{}
	var out []Evidence
	for i, e := range q.Evidence {
		e, err := q.fill(e, f, located)
		if err != nil {
			return nil, 0, err
		}
		if _, again := at[e]; !again {
			at[e] = i
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
	if err := q.contradiction(out, at, located); err != nil {
		return nil, 0, err
	}
	least := leastOf(f.prior)
	for _, e := range out {
		if q.Shape != Usual && e.Sign == CBCTCount && e.Count < least && located < least {
			return nil, 0, &Contradiction{phrase(e), "the shape is " + article(q.Shape.Words()),
				fmt.Sprintf("such a tooth has at least %s: correct the shape or the count", canalsText(least)), []int{at[e]}}
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
