// Package anaesthetic says how much local anaesthetic a patient may have in one
// visit: the lowest of the limit by weight, the absolute limit and the limit of
// the vasoconstrictor, for the real strength and cartridge volume, over all
// injections and all teeth of the day. Everything is rounded down, and the
// arithmetic is shown.
//
// Without a weight there is no number. The limits are for healthy adults and
// differ between countries; they are embedded data with their sources, and
// where sources disagree both are kept and the lower counts. The tool advises;
// local codes, the leaflet of the product and the clinician decide.
package anaesthetic

import (
	"fmt"
	"math"
	"math/big"
	"strings"

	"github.com/visitwright/visitwright/planner/provenance"
)

// Solution is what is in a cartridge.
type Solution struct {
	Agent           string  `json:"agent"`           // id of the catalogue
	Percent         float64 `json:"percent"`         // strength; 1 % is 10 mg/mL
	CartridgeML     float64 `json:"cartridge_ml"`    // real volume, 1.7 to 2.2 as a rule
	Vasoconstrictor string  `json:"vasoconstrictor"` // none, epinephrine or other
	Per             int     `json:"per"`             // 100000 for 1:100,000; 0 with none
}

// Given is what the patient had already, today.
type Given struct {
	Solution
	Cartridges float64 `json:"cartridges"` // parts count, 0.5 is half a cartridge
}

// Request asks for the limit.
type Request struct {
	Profile  Profile  `json:"profile"`   // "" = Lowest
	WeightKG *float64 `json:"weight_kg"` // nil = not known: no number
	// Cardiac: significant heart disease, which lowers the vasoconstrictor limit.
	Cardiac bool     `json:"cardiac"`
	Next    Solution `json:"next"` // what would be injected now
	Given   []Given  `json:"given"`
	// Own limits of the practice by agent, in place of the profile's.
	Own map[string]Own `json:"own,omitempty"`
}

// InputError names a field that cannot be used and what would be right.
type InputError struct {
	Field, Problem, Want string
}

// Error says what was wrong and what would be right.
func (e *InputError) Error() string { return e.Field + ": " + e.Problem + "; want " + e.Want }

// The kinds of limit.
const (
	ByWeight          = "mg-per-kg"
	Absolute          = "absolute"
	ByVasoconstrictor = "vasoconstrictor"
)

// Bound is one limit, for the agent of the next injection and before anything
// is given.
type Bound struct {
	Kind       string          `json:"kind"`
	MG         float64         `json:"mg"` // of the agent, rounded down to a tenth
	Cartridges int             `json:"cartridges"`
	Mark       provenance.Mark `json:"mark"`
}

// Result is the answer.
type Result struct {
	// NoNumber says why there is none; "" when there is one.
	NoNumber string  `json:"no_number,omitempty"`
	Bounds   []Bound `json:"bounds"`
	MostMG   float64 `json:"most_mg"` // lowest of the bounds
	// Binding is the bound that decides what is left now.
	Binding string `json:"binding"`
	// UsedShare of the drug limits: mixed agents add as shares of their own.
	UsedShare float64 `json:"used_share"`
	LeftMG    float64 `json:"left_mg"` // of the next agent, rounded down to a tenth
	// Cartridges that may still be given, whole; Tenths truncated, to inform.
	Cartridges int     `json:"cartridges"`
	Tenths     float64 `json:"tenths"`
	// Exceeded: what was given is over a limit already.
	Exceeded   bool   `json:"exceeded"`
	Arithmetic []Line `json:"arithmetic"`
	Cautions   []Line `json:"cautions"`
}

// Line is one sentence with the standing of its figure.
type Line struct {
	Text string          `json:"text"`
	Mark provenance.Mark `json:"mark"`
}

// arithmetic marks steps that are calculation and no figure.
var arithmetic = provenance.Mark{Kind: provenance.Practice, Source: "arithmetic: 1 % is 10 mg/mL, 1:n is one gram in n mL, results are rounded down"}

// Limit computes what may still be given. Errors are *InputError.
func Limit(q Request) (Result, error) {
	if q.Profile == "" {
		q.Profile = Lowest
	}
	if err := q.check(); err != nil {
		return Result{}, err
	}
	r := Result{Cautions: cautions(q)}
	if q.WeightKG == nil {
		r.NoNumber = "the weight is not known: weigh the patient, or ask"
		return r, nil
	}
	if name := q.withoutLimit(); name != "" {
		r.NoNumber = "no limit of " + name + " for a patient with significant heart disease is at hand: see the local code"
		return r, nil
	}
	a := account{q: q, weight: exact(*q.WeightKG)}
	a.bounds(&r)
	a.given(&r)
	a.left(&r)
	return r, nil
}

// account carries the exact numbers of one answer.
type account struct {
	q      Request
	weight *big.Rat
	drug   *big.Rat // drug limit of the next agent, mg
	binds  string   // which drug bound is the lower
	vaso   *big.Rat // vasoconstrictor limit, mg; nil = none applies
	used   *big.Rat // share of the drug limits
	vasoed *big.Rat // vasoconstrictor given, mg
}

func (s Solution) mgPerML() *big.Rat {
	return new(big.Rat).Mul(exact(s.Percent), big.NewRat(10, 1))
}

func (s Solution) mgPerCartridge() *big.Rat {
	return new(big.Rat).Mul(s.mgPerML(), exact(s.CartridgeML))
}

// vasoPerML in mg: one gram in Per mL.
func (s Solution) vasoPerML() *big.Rat {
	if s.Per <= 0 {
		return new(big.Rat)
	}
	return big.NewRat(1000, int64(s.Per))
}

func (s Solution) name() string {
	a, _ := shipped().agent(s.Agent)
	text := fmt.Sprintf("%s %s %%", a.Name, decimal(exact(s.Percent), 3))
	if v, ok := shipped().vasoconstrictor(s.Vasoconstrictor); ok && s.Per > 0 {
		text += " with " + v.Name + " 1:" + Thousands(s.Per)
	}
	return text
}

func (q Request) drugLimit(agent string) drugLimit {
	if own, ok := q.Own[agent]; ok {
		return own.limit()
	}
	return q.Profile.limit(agent)
}

// drugMG is the lower of the limit by weight and the absolute one.
func (a *account) drugMG(agent string) (mg *big.Rat, kind string) {
	d := a.q.drugLimit(agent)
	if d.perKG.value != nil {
		mg, kind = new(big.Rat).Mul(d.perKG.value, a.weight), ByWeight
	}
	if d.most.value != nil && (mg == nil || d.most.value.Cmp(mg) < 0) {
		mg, kind = d.most.value, Absolute
	}
	return mg, kind
}

// limit in mg of one visit.
func (v vasoconstrictorRow) limit(cardiac bool) float64 {
	if cardiac {
		return v.CardiacLimitMG
	}
	return v.LimitMG
}

func (a *account) bounds(r *Result) {
	s := a.q.Next
	per := s.mgPerCartridge()
	r.add(arithmetic, "%s: %s x 10 mg/mL x %s mL = %s mg in a cartridge",
		s.name(), decimal(exact(s.Percent), 3), decimal(exact(s.CartridgeML), 3), decimal(per, 3))
	d := a.q.drugLimit(s.Agent)
	if d.perKG.value != nil {
		mg := new(big.Rat).Mul(d.perKG.value, a.weight)
		r.add(d.perKG.mark, "by weight: %s mg/kg x %s kg = %s mg", decimal(d.perKG.value, 3), decimal(a.weight, 3), decimal(mg, 2))
		r.bound(ByWeight, mg, per, d.perKG.mark)
	}
	if d.most.value != nil {
		r.add(d.most.mark, "at most %s mg, whatever the weight", decimal(d.most.value, 2))
		r.bound(Absolute, d.most.value, per, d.most.mark)
	}
	if _, own := a.q.Own[s.Agent]; own {
		theirs := a.q.Profile.limit(s.Agent)
		r.add(weakest(theirs), "the practice's own limit stands in place of the profile %s: %s", a.q.Profile.Name(), theirs.text())
	}
	for _, row := range d.beside {
		what := "a stricter recommendation"
		if row.use == conflict {
			what = "another source, of which the lower counts,"
		}
		r.add(row.mark, "%s says %s", what, rowText(row))
	}
	a.drug, a.binds = a.drugMG(s.Agent)
	if v, ok := shipped().vasoconstrictor(s.Vasoconstrictor); ok && v.LimitMG > 0 && s.Per > 0 {
		whom := "a healthy patient"
		if a.q.Cardiac {
			whom = "significant heart disease"
		}
		a.vaso = exact(v.limit(a.q.Cardiac))
		ml := new(big.Rat).Quo(a.vaso, s.vasoPerML())
		mg := new(big.Rat).Mul(ml, s.mgPerML())
		r.add(*v.Mark, "%s 1:%s holds %s mg/mL; %s mg for %s is %s mL, or %s mg of %s",
			v.Name, Thousands(s.Per), decimal(s.vasoPerML(), 4), decimal(a.vaso, 3), whom, decimal(ml, 2), decimal(mg, 2), s.Agent)
		r.bound(ByVasoconstrictor, mg, per, *v.Mark)
	}
	lowest := r.Bounds[0]
	for _, b := range r.Bounds[1:] {
		if b.MG < lowest.MG {
			lowest = b
		}
	}
	r.MostMG, r.Binding = lowest.MG, lowest.Kind
	r.add(lowest.Mark, "lowest: %s mg (%s)", decimal(exact(lowest.MG), 1), lowest.Kind)
}

// given adds what the patient had: shares of each agent's own limit, and the
// vasoconstrictor in mg.
func (a *account) given(r *Result) {
	a.used, a.vasoed = new(big.Rat), new(big.Rat)
	for _, g := range a.q.Given {
		cartridges := exact(g.Cartridges)
		mg := new(big.Rat).Mul(g.mgPerCartridge(), cartridges)
		limit, _ := a.drugMG(g.Agent)
		share := new(big.Rat).Quo(mg, limit)
		a.used.Add(a.used, share)
		if v, ok := shipped().vasoconstrictor(g.Vasoconstrictor); ok && v.LimitMG > 0 {
			ml := new(big.Rat).Mul(exact(g.CartridgeML), cartridges)
			a.vasoed.Add(a.vasoed, ml.Mul(ml, g.vasoPerML()))
			// A limit that is passed stays passed when the next cartridge is plain.
			if a.vasoed.Cmp(exact(v.limit(a.q.Cardiac))) > 0 {
				r.Exceeded = true
			}
		}
		r.add(arithmetic, "given: %s cartridges of %s mL %s = %s mg, %s %% of the %s mg of its own limit",
			decimal(cartridges, 2), decimal(exact(g.CartridgeML), 3), g.name(), decimal(mg, 2), percent(share), decimal(limit, 2))
	}
	r.UsedShare, _ = a.used.Float64()
}

func (a *account) left(r *Result) {
	s := a.q.Next
	one := big.NewRat(1, 1)
	rest := new(big.Rat).Sub(one, a.used)
	left := new(big.Rat).Mul(a.drug, rest)
	binding := a.binds
	if rest.Sign() < 0 {
		r.Exceeded = true
	}
	if len(a.q.Given) > 0 {
		r.add(arithmetic, "left of the drug: (100 - %s) %% of %s mg = %s mg", percent(a.used), decimal(a.drug, 2), decimal(floorZero(left), 2))
	}
	if a.vaso != nil {
		restVaso := new(big.Rat).Sub(a.vaso, a.vasoed)
		ml := new(big.Rat).Quo(restVaso, s.vasoPerML())
		mg := new(big.Rat).Mul(ml, s.mgPerML())
		if len(a.q.Given) > 0 {
			r.add(arithmetic, "left of the vasoconstrictor: %s - %s = %s mg, or %s mg of %s",
				decimal(a.vaso, 4), decimal(a.vasoed, 4), decimal(floorZero(restVaso), 4), decimal(floorZero(mg), 2), s.Agent)
		}
		if mg.Cmp(left) < 0 {
			left, binding = mg, ByVasoconstrictor
		}
	}
	left = floorZero(left)
	if r.Exceeded {
		left = new(big.Rat)
	}
	per := s.mgPerCartridge()
	r.Binding = binding
	r.LeftMG = floorTenth(left)
	r.Cartridges = int(floor(new(big.Rat).Quo(left, per)))
	r.Tenths = floorTenth(new(big.Rat).Quo(left, per))
	if r.Exceeded {
		r.add(arithmetic, "the limit is passed already: no further cartridge")
		return
	}
	whole := new(big.Rat).Mul(per, new(big.Rat).SetInt64(int64(r.Cartridges)))
	r.add(arithmetic, "%s mg / %s mg = %s cartridges, rounded down to %d whole (%s mg)",
		decimal(left, 2), decimal(per, 3), decimal(exact(r.Tenths), 1), r.Cartridges, decimal(whole, 2))
}

func (r *Result) add(m provenance.Mark, format string, args ...any) {
	r.Arithmetic = append(r.Arithmetic, Line{Text: fmt.Sprintf(format, args...), Mark: m})
}

func (r *Result) bound(kind string, mg, per *big.Rat, m provenance.Mark) {
	r.Bounds = append(r.Bounds, Bound{Kind: kind, MG: floorTenth(mg), Cartridges: int(floor(new(big.Rat).Quo(mg, per))), Mark: m})
}

func rowText(row limitRow) string {
	return drugLimit{perKG: figure{value: row.perKG}, most: figure{value: row.most}}.text()
}

func (d drugLimit) text() string {
	var parts []string
	if d.perKG.value != nil {
		parts = append(parts, decimal(d.perKG.value, 3)+" mg/kg")
	}
	if d.most.value != nil {
		parts = append(parts, "at most "+decimal(d.most.value, 2)+" mg")
	}
	return strings.Join(parts, ", ")
}

// weakest is the mark of a limit with a figure that was not published, if any.
func weakest(d drugLimit) provenance.Mark {
	if d.perKG.value == nil || d.most.value != nil && d.most.mark.Kind != provenance.Published {
		return d.most.mark
	}
	return d.perKG.mark
}

// withoutLimit names a vasoconstrictor that has no limit at hand although the
// patient's heart needs one.
func (q Request) withoutLimit() string {
	if !q.Cardiac {
		return ""
	}
	solutions := []Solution{q.Next}
	for _, g := range q.Given {
		solutions = append(solutions, g.Solution)
	}
	for _, s := range solutions {
		if v, ok := shipped().vasoconstrictor(s.Vasoconstrictor); ok && s.Per > 0 && v.LimitMG == 0 {
			return v.Name
		}
	}
	return ""
}

func cautions(q Request) []Line {
	var out []Line
	agents := map[string]bool{"": true, q.Next.Agent: true}
	for _, g := range q.Given {
		agents[g.Agent] = true
	}
	said := map[string]bool{}
	for _, c := range shipped().Cautions {
		if agents[c.Agent] && !said[c.Text] {
			said[c.Text] = true
			out = append(out, Line{Text: c.Text, Mark: c.Mark})
		}
	}
	if q.Next.Vasoconstrictor == "other" {
		out = append(out, Line{Text: "No limit of this vasoconstrictor is counted here: see the local code", Mark: shipped().Cautions[0].Mark})
	}
	return out
}

func floorZero(r *big.Rat) *big.Rat {
	if r.Sign() < 0 {
		return new(big.Rat)
	}
	return r
}

// floor of a number that is not negative.
func floor(r *big.Rat) int64 {
	return new(big.Int).Quo(r.Num(), r.Denom()).Int64()
}

func floorTenth(r *big.Rat) float64 {
	return float64(floor(new(big.Rat).Mul(floorZero(r), big.NewRat(10, 1)))) / 10
}

// decimal writes a number, cut (never rounded up) to so many places.
func decimal(r *big.Rat, places int) string {
	scale := new(big.Int).Exp(big.NewInt(10), big.NewInt(int64(places)), nil)
	scaled := new(big.Rat).Mul(r, new(big.Rat).SetInt(scale))
	cut := new(big.Int).Quo(scaled.Num(), scaled.Denom())
	text := new(big.Rat).SetFrac(cut, scale).FloatString(places)
	if strings.Contains(text, ".") {
		text = strings.TrimRight(strings.TrimRight(text, "0"), ".")
	}
	return text
}

func percent(share *big.Rat) string {
	return decimal(new(big.Rat).Mul(share, big.NewRat(100, 1)), 1)
}

// Thousands writes a whole number as dilutions are written, "100,000".
func Thousands(n int) string {
	text := fmt.Sprint(n)
	for at := len(text) - 3; at > 0; at -= 3 {
		text = text[:at] + "," + text[at:]
	}
	return text
}

func usable(v float64) bool { return !math.IsNaN(v) && !math.IsInf(v, 0) }
