package anaesthetic

import (
	"bytes"
	"encoding/csv"
	"errors"
	"flag"
	"math"
	"math/big"
	"os"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"

	"github.com/visitwright/visitwright/planner/provenance"
)

var update = flag.Bool("update", false, "write golden files anew")

func TestEveryLimitIsShownWithItsStandingInTheGoldenTable(t *testing.T) {
	var got bytes.Buffer
	if err := Table(&got); err != nil {
		t.Fatal(err)
	}
	const name = "testdata/limits.golden"
	if *update {
		if err := os.WriteFile(name, got.Bytes(), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(got.Bytes(), want) {
		t.Errorf("%s differs; look at the change, then run go test -update", name)
	}
}

func rows(t *testing.T, name string) [][]string {
	t.Helper()
	text, err := os.ReadFile("testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	r := csv.NewReader(bytes.NewReader(text))
	r.Comment = '#'
	all, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return all[1:]
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

func kg(v float64) *float64 { return &v }

func lidocaine(ml float64) Solution {
	return Solution{Agent: "lidocaine", Percent: 2, CartridgeML: ml, Vasoconstrictor: "epinephrine", Per: 100000}
}

func limit(t *testing.T, q Request) Result {
	t.Helper()
	r, err := Limit(q)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func TestWorkedExamples(t *testing.T) {
	outside := 0
	for _, v := range rows(t, "vectors.csv") {
		per, _ := strconv.Atoi(v[8])
		q := Request{
			Profile: Profile(v[2]), WeightKG: kg(number(t, v[3])), Cardiac: v[9] == "true",
			Next: Solution{Agent: v[4], Percent: number(t, v[5]), CartridgeML: number(t, v[6]), Vasoconstrictor: v[7], Per: per},
		}
		r := limit(t, q)
		whole, tenths := r.Cartridges, r.Tenths
		if v[10] != "all" {
			for _, b := range r.Bounds {
				if b.Kind == v[10] {
					whole = b.Cartridges
					left := b.MG / (q.Next.Percent * 10 * q.Next.CartridgeML)
					tenths = math.Floor(left*10+1e-9) / 10
				}
			}
		}
		if want := number(t, v[11]); float64(whole) != want {
			t.Errorf("%s: %d whole cartridges, want %g", v[1], whole, want)
		}
		if v[12] != "" && tenths != number(t, v[12]) {
			t.Errorf("%s: %g cartridges, want %s", v[1], tenths, v[12])
		}
		holds := exact(q.Next.Percent * 10)
		holds.Mul(holds, exact(q.Next.CartridgeML)).Mul(holds, new(big.Rat).SetInt64(int64(whole)))
		if got, _ := holds.Float64(); math.Abs(got-number(t, v[13])) > 1e-9 {
			t.Errorf("%s: %g mg, want %s", v[1], got, v[13])
		}
		if v[0] == "published" {
			outside++
		}
	}
	if outside != 10 {
		t.Errorf("%d examples count as an outside check, want the 10 that were printed", outside)
	}
}

// An Australian table prints 7 cartridges of 2.2 mL lidocaine 2 % for 70 kg.
// That is 308 mg, 8 mg over the 300 mg in the same table.
func TestSevenCartridgesOver300MilligramsAreNotAllowed(t *testing.T) {
	q := Request{Profile: Australia, WeightKG: kg(70), Next: lidocaine(2.2)}
	r := limit(t, q)
	if r.Cartridges != 6 || r.Tenths != 6.8 || r.MostMG != 300 || r.Binding != Absolute {
		t.Errorf("%d cartridges (%g), %g mg by %s; want 6 (6.8), 300 mg, absolute", r.Cartridges, r.Tenths, r.MostMG, r.Binding)
	}
	q.Given = []Given{{lidocaine(2.2), 6}}
	if r := limit(t, q); r.Cartridges != 0 || r.Exceeded {
		t.Errorf("after six: %d more, exceeded %v; want none and not exceeded", r.Cartridges, r.Exceeded)
	}
	q.Given = []Given{{lidocaine(2.2), 7}}
	if r := limit(t, q); r.Cartridges != 0 || !r.Exceeded || r.LeftMG != 0 {
		t.Errorf("after seven: %+v; want exceeded", r)
	}
}

func TestTheLimitsAreTheTabledOnes(t *testing.T) {
	for _, v := range rows(t, "limits.csv") {
		d := Profile(v[0]).limit(v[1])
		for i, got := range []*big.Rat{d.perKG.value, d.most.value} {
			want, _ := optional(v[2+i])
			if (got == nil) != (want == nil) || got != nil && got.Cmp(want) != 0 {
				t.Errorf("%s %s: %s, want %s mg/kg and %s mg", v[0], v[1], d.text(), v[2], v[3])
			}
		}
	}
}

func TestTheLowestProfileIsNeverOverAnyRow(t *testing.T) {
	for _, row := range shipped().limits {
		d := Lowest.limit(row.agent)
		if row.perKG != nil && d.perKG.value.Cmp(row.perKG) > 0 || row.most != nil && d.most.value.Cmp(row.most) > 0 {
			t.Errorf("%s of %s: lowest has %s", row.agent, row.profile, d.text())
		}
	}
	if limit(t, Request{WeightKG: kg(70), Next: lidocaine(1.8)}).MostMG != limit(t, Request{Profile: Lowest, WeightKG: kg(70), Next: lidocaine(1.8)}).MostMG {
		t.Error("without a profile the lowest is used")
	}
}

func TestConflictingSourcesAreBothKeptAndTheLowerCounts(t *testing.T) {
	bupivacaine := Solution{Agent: "bupivacaine", Percent: 0.5, CartridgeML: 1.8, Vasoconstrictor: "epinephrine", Per: 200000}
	r := limit(t, Request{Profile: Canada, WeightKG: kg(100), Next: bupivacaine})
	if r.MostMG != 90 { // two Canadian sources: 90 and 200 mg
		t.Errorf("%g mg, want 90", r.MostMG)
	}
	if !said(r.Arithmetic, "at most 200 mg") {
		t.Errorf("the other source is not shown: %v", r.Arithmetic)
	}
	usa := limit(t, Request{Profile: USA, WeightKG: kg(70), Next: lidocaine(1.8)})
	if !said(usa.Arithmetic, "stricter recommendation says 4.4 mg/kg, at most 300 mg") {
		t.Errorf("the stricter recommendation is not shown: %v", usa.Arithmetic)
	}
}

func said(lines []Line, text string) bool {
	for _, l := range lines {
		if strings.Contains(l.Text, text) {
			return true
		}
	}
	return false
}

func TestEachFigureHasAProvenance(t *testing.T) {
	tab := shipped()
	marks := []provenance.Mark{tab.AgentsMark, tab.Bounds.Mark, arithmetic}
	for _, l := range tab.limits {
		marks = append(marks, l.mark)
	}
	for _, c := range tab.Cautions {
		marks = append(marks, c.Mark)
	}
	for _, v := range tab.Vasoconstrictors {
		if (v.LimitMG > 0 || v.LeastPer > 0) && v.Mark == nil {
			t.Errorf("%s has figures without a source", v.ID)
		}
		if v.Mark != nil {
			marks = append(marks, *v.Mark)
		}
	}
	for _, m := range marks {
		if err := m.Validate(); err != nil {
			t.Error(err)
		}
	}
	for _, bad := range []string{"p,a,1,2,used,published,\n", "p,a,1,2,used,,x\n", "p,a,,,used,published,x\n", "p,a,1,2,perhaps,published,x\n", "p,a,-1,2,used,published,x\n"} {
		if _, err := readLimits([]byte("h,h,h,h,h,h,h\n" + bad)); err == nil {
			t.Errorf("the row %q was taken", bad)
		}
	}
	for _, a := range tab.Agents {
		for _, p := range Profiles() {
			if d := p.limit(a.ID); d.perKG.value == nil && d.most.value == nil {
				t.Errorf("%s has no limit of %s", p.Name(), a.ID)
			}
		}
	}
}

func TestWithoutAWeightThereIsNoNumber(t *testing.T) {
	r := limit(t, Request{Profile: USA, Next: lidocaine(1.8)})
	if r.NoNumber == "" || r.MostMG != 0 || r.Cartridges != 0 || len(r.Bounds) != 0 || len(r.Arithmetic) != 0 {
		t.Errorf("%+v", r)
	}
	if len(r.Cautions) == 0 {
		t.Error("the cautions hold without a weight too")
	}
}

func TestASlipOfThePenIsRefusedWithTheFieldAndWhatWouldBeRight(t *testing.T) {
	good := Request{Profile: USA, WeightKG: kg(70), Next: lidocaine(1.8)}
	change := func(f func(*Request)) Request {
		q := good
		f(&q)
		return q
	}
	for _, c := range []struct {
		name, field string
		q           Request
	}{
		{"a weight of 0", "weight_kg", change(func(q *Request) { q.WeightKG = kg(0) })},
		{"a weight of 700 kg", "weight_kg", change(func(q *Request) { q.WeightKG = kg(700) })},
		{"a negative weight", "weight_kg", change(func(q *Request) { q.WeightKG = kg(-70) })},
		{"no number", "weight_kg", change(func(q *Request) { q.WeightKG = kg(math.NaN()) })},
		{"endless", "weight_kg", change(func(q *Request) { q.WeightKG = kg(math.Inf(1)) })},
		{"an unknown profile", "profile", change(func(q *Request) { q.Profile = "atlantis" })},
		{"an unknown agent", "next.agent", change(func(q *Request) { q.Next.Agent = "ether" })},
		{"20 % instead of 2 %", "next.percent", change(func(q *Request) { q.Next.Percent = 20 })},
		{"0 %", "next.percent", change(func(q *Request) { q.Next.Percent = 0 })},
		{"18 mL instead of 1.8", "next.cartridge_ml", change(func(q *Request) { q.Next.CartridgeML = 18 })},
		{"1:100 epinephrine", "next.per", change(func(q *Request) { q.Next.Per = 100 })},
		{"a concentration of nothing", "next.per", change(func(q *Request) {
			q.Next = Solution{Agent: "prilocaine", Percent: 4, CartridgeML: 1.8, Vasoconstrictor: "none", Per: 100000}
		})},
		{"plain lidocaine by the limit of another", "next.vasoconstrictor", change(func(q *Request) { q.Next.Vasoconstrictor, q.Next.Per = "none", 0 })},
		{"plain mepivacaine with a vasoconstrictor", "next.vasoconstrictor", change(func(q *Request) { q.Next.Agent = "mepivacaine-plain" })},
		{"an unknown vasoconstrictor", "next.vasoconstrictor", change(func(q *Request) { q.Next.Vasoconstrictor = "ice" })},
		{"a negative dose given", "given[0].cartridges", change(func(q *Request) { q.Given = []Given{{lidocaine(1.8), -1}} })},
		{"too much given", "given[1].cartridges", change(func(q *Request) { q.Given = []Given{{lidocaine(1.8), 1}, {lidocaine(1.8), 1000}} })},
		{"a given agent that is unknown", "given[0].agent", change(func(q *Request) { q.Given = []Given{{Solution{Agent: "x"}, 1}} })},
		{"an own limit without a source", `own["lidocaine"]`, change(func(q *Request) { q.Own = map[string]Own{"lidocaine": {MGPerKG: 4}} })},
		{"an own limit of nothing", `own["lidocaine"]`, change(func(q *Request) { q.Own = map[string]Own{"lidocaine": {Source: "x"}} })},
		{"an own limit of an unknown agent", `own["x"]`, change(func(q *Request) { q.Own = map[string]Own{"x": {MGPerKG: 4, Source: "x"}} })},
	} {
		_, err := Limit(c.q)
		var in *InputError
		if !errors.As(err, &in) || in.Field != c.field || in.Want == "" || in.Problem == "" {
			t.Errorf("%s: %v, want an error about %s", c.name, err, c.field)
		}
	}
}

func TestMixedAgentsAddAsSharesOfTheirOwnLimits(t *testing.T) {
	articaine := Solution{Agent: "articaine", Percent: 4, CartridgeML: 1.8, Vasoconstrictor: "epinephrine", Per: 200000}
	// 70 kg, USA: articaine 490 mg, lidocaine 490 mg. Two cartridges of articaine
	// are 144 mg, 29.4 % of its limit; 70.6 % of 490 mg lidocaine is 346 mg, 9.6
	// cartridges of 36 mg. Epinephrine: 0.018 given, 0.182 left, 10.1 cartridges.
	r := limit(t, Request{Profile: USA, WeightKG: kg(70), Next: lidocaine(1.8), Given: []Given{{articaine, 2}}})
	if r.Cartridges != 9 || r.Tenths != 9.6 || r.LeftMG != 346 || math.Abs(r.UsedShare-144.0/490) > 1e-12 {
		t.Errorf("%d cartridges (%g), %g mg left, %.4f used", r.Cartridges, r.Tenths, r.LeftMG, r.UsedShare)
	}
	if r.Binding != ByWeight {
		t.Errorf("binding %s", r.Binding)
	}
}

func TestTheVasoconstrictorOfAllInjectionsCountsTogether(t *testing.T) {
	strong := lidocaine(1.8)
	strong.Per = 50000 // 0.036 mg in a cartridge
	r := limit(t, Request{Profile: USA, WeightKG: kg(100), Next: lidocaine(1.8), Given: []Given{{strong, 3}}})
	// 0.2 - 0.108 = 0.092 mg, 9.2 mL, 5.1 cartridges of 1:100,000
	if r.Cartridges != 5 || r.Tenths != 5.1 || r.Binding != ByVasoconstrictor {
		t.Errorf("%d (%g) by %s", r.Cartridges, r.Tenths, r.Binding)
	}
	plainNext := Solution{Agent: "mepivacaine-plain", Percent: 3, CartridgeML: 1.8, Vasoconstrictor: "none"}
	over := limit(t, Request{Profile: USA, WeightKG: kg(100), Next: plainNext, Given: []Given{{strong, 6}}})
	if !over.Exceeded || over.Cartridges != 0 {
		t.Errorf("0.216 mg of epinephrine given, then a plain cartridge: %+v", over)
	}
}

func TestHeartDiseaseLowersTheVasoconstrictorLimitOnly(t *testing.T) {
	r := limit(t, Request{Profile: USA, WeightKG: kg(70), Cardiac: true, Next: lidocaine(1.8)})
	if r.Cartridges != 2 || r.Binding != ByVasoconstrictor { // floor(0.04 / 0.018)
		t.Errorf("%d cartridges by %s", r.Cartridges, r.Binding)
	}
	other := Solution{Agent: "mepivacaine", Percent: 2, CartridgeML: 1.8, Vasoconstrictor: "other", Per: 20000}
	if r := limit(t, Request{Profile: USA, WeightKG: kg(70), Cardiac: true, Next: other}); r.NoNumber == "" || r.Cartridges != 0 {
		t.Errorf("no limit of that vasoconstrictor is at hand, yet %+v", r)
	}
	if r := limit(t, Request{Profile: USA, WeightKG: kg(70), Next: other}); r.NoNumber != "" || r.MostMG != 400 || !said(r.Cautions, "this vasoconstrictor") {
		t.Errorf("%+v", r)
	}
}

func TestAPracticesOwnLimitStandsBesideTheProfiles(t *testing.T) {
	q := Request{Profile: USA, WeightKG: kg(70), Next: lidocaine(1.8), Own: map[string]Own{"lidocaine": {MGPerKG: 4, MostMG: 280, Source: "house rule"}}}
	r := limit(t, q)
	if r.MostMG != 280 || r.Bounds[0].Mark.Kind != provenance.Local || !said(r.Arithmetic, "7 mg/kg, at most 500 mg") {
		t.Errorf("%+v", r)
	}
}

func TestTheArithmeticIsShown(t *testing.T) {
	r := limit(t, Request{Profile: USA, WeightKG: kg(70), Next: lidocaine(1.8), Given: []Given{{lidocaine(1.8), 2}}})
	for _, want := range []string{
		"2 x 10 mg/mL x 1.8 mL = 36 mg in a cartridge", "7 mg/kg x 70 kg = 490 mg", "at most 500 mg",
		"0.01 mg/mL; 0.2 mg for a healthy patient is 20 mL, or 400 mg", "lowest: 400 mg",
		"given: 2 cartridges of 1.8 mL", "rounded down to 9 whole",
	} {
		if !said(r.Arithmetic, want) {
			t.Errorf("%q is not shown in %v", want, r.Arithmetic)
		}
	}
	for _, l := range append(r.Arithmetic, r.Cautions...) {
		if l.Mark.Validate() != nil || l.Text == "" {
			t.Errorf("%+v", l)
		}
	}
	if !said(r.Cautions, "Local codes") {
		t.Error("the cautions do not defer to local codes")
	}
}

func TestADecimalThatBinaryCannotHoldLosesNoCartridge(t *testing.T) {
	// 4.4 mg/kg x 50 kg is 220 mg and five cartridges of 44 mg, exactly
	r := limit(t, Request{Profile: Australia, WeightKG: kg(50), Next: lidocaine(2.2)})
	if r.Cartridges != 5 || r.MostMG != 220 {
		t.Errorf("%d cartridges, %g mg", r.Cartridges, r.MostMG)
	}
}

func anySolution(t *rapid.T, label string) Solution {
	a := rapid.SampledFrom(shipped().Agents).Draw(t, label+" agent")
	s := Solution{Agent: a.ID, CartridgeML: rapid.SampledFrom([]float64{1.7, 1.76, 1.8, 2.2}).Draw(t, label+" mL")}
	steps := int(math.Round((a.MostPercent - a.LeastPercent) * 4))
	s.Percent = a.LeastPercent + float64(rapid.IntRange(0, steps).Draw(t, label+" strength"))/4
	s.Vasoconstrictor = "none"
	if a.Vasoconstrictor == "with" || a.Vasoconstrictor == "either" && rapid.Bool().Draw(t, label+" with") {
		s.Vasoconstrictor = "epinephrine"
		s.Per = rapid.SampledFrom([]int{50000, 80000, 100000, 200000}).Draw(t, label+" per")
	}
	return s
}

func anyRequest(t *rapid.T) Request {
	q := Request{
		Profile:  rapid.SampledFrom(Profiles()).Draw(t, "profile"),
		WeightKG: kg(float64(rapid.IntRange(50, 3500).Draw(t, "weight in 100 g")) / 10),
		Cardiac:  rapid.Bool().Draw(t, "cardiac"), Next: anySolution(t, "next"),
	}
	for i := rapid.IntRange(0, 3).Draw(t, "injections"); i > 0; i-- {
		q.Given = append(q.Given, Given{anySolution(t, "given"), float64(rapid.IntRange(0, 20).Draw(t, "quarters")) / 4})
	}
	return q
}

func mustLimit(t *rapid.T, q Request) Result {
	r, err := Limit(q)
	if err != nil {
		t.Fatal(err)
	}
	return r
}

func TestMoreWeightNeverLowersTheLimit(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		q := anyRequest(t)
		light := mustLimit(t, q)
		q.WeightKG = kg(math.Min(350, *q.WeightKG+float64(rapid.IntRange(1, 500).Draw(t, "more"))/10))
		heavy := mustLimit(t, q)
		if heavy.MostMG < light.MostMG || heavy.LeftMG < light.LeftMG || heavy.Cartridges < light.Cartridges {
			t.Fatalf("%+v\n%+v", light, heavy)
		}
	})
}

func TestMoreGivenOrASickHeartOrTheLowestProfileNeverRaisesWhatIsLeft(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		q := anyRequest(t)
		before := mustLimit(t, q)
		less := func(name string, q Request) {
			if r := mustLimit(t, q); r.LeftMG > before.LeftMG || r.Cartridges > before.Cartridges || r.MostMG > before.MostMG {
				t.Fatalf("%s: %+v\n%+v", name, before, r)
			}
		}
		more := q
		more.Given = append(append([]Given(nil), q.Given...), Given{anySolution(t, "further"), 0.5})
		less("more given", more)
		sick := q
		sick.Cardiac = true
		less("a sick heart", sick)
		lowest := q
		lowest.Profile = Lowest
		less("the lowest profile", lowest)
	})
}

func TestWhatIsAllowedMayBeGivenAndOneCartridgeMoreMayNot(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		q := anyRequest(t)
		r := mustLimit(t, q)
		if r.Exceeded || r.Cartridges > 49 {
			return
		}
		if r.MostMG < r.LeftMG || float64(r.Cartridges) > r.Tenths {
			t.Fatalf("%+v", r)
		}
		all := q
		all.Given = append(append([]Given(nil), q.Given...), Given{q.Next, float64(r.Cartridges)})
		if after := mustLimit(t, all); after.Exceeded || after.Cartridges != 0 {
			t.Fatalf("after the %d allowed: %+v", r.Cartridges, after)
		}
		all.Given[len(all.Given)-1].Cartridges++
		if after := mustLimit(t, all); !after.Exceeded {
			t.Fatalf("after one more than the %d allowed the limit holds: %+v", r.Cartridges, after)
		}
	})
}

func FuzzLimit(f *testing.F) {
	f.Add("usa", 70.0, true, "lidocaine", 2.0, 1.8, "epinephrine", 100000, 1.5)
	f.Add("", -1.0, false, "prilocaine", 4.0, 2.2, "none", 0, 0.0)
	f.Fuzz(func(t *testing.T, profile string, weight float64, cardiac bool, agent string, percent, ml float64, vaso string, per int, given float64) {
		s := Solution{Agent: agent, Percent: percent, CartridgeML: ml, Vasoconstrictor: vaso, Per: per}
		r, err := Limit(Request{Profile: Profile(profile), WeightKG: &weight, Cardiac: cardiac, Next: s, Given: []Given{{s, given}}})
		if err != nil {
			if err.Error() == "" {
				t.Fatal("an error without words")
			}
			return
		}
		if r.NoNumber == "" && (r.MostMG <= 0 || r.Cartridges < 0 || math.IsNaN(r.LeftMG)) {
			t.Fatalf("%+v", r)
		}
	})
}
