package anatomy

import (
	"fmt"
	"math"
	"sort"
	"strings"

	"github.com/visitwright/visitwright/planner/provenance"
	"github.com/visitwright/visitwright/planner/tooth"
)

// Length is what is usual for the length of a kind of tooth, in mm.
type Length struct {
	Kind tooth.Kind `json:"kind"`
	// The tooth from tip to apex, in the series the bands rest on.
	ToothMean     float64 `json:"tooth_mean"`
	ToothLeast    float64 `json:"tooth_least"`
	ToothGreatest float64 `json:"tooth_greatest"`
	// Usual working length: the mean tooth less the way to the constriction.
	Usual float64 `json:"usual"`
	// Outside the soft band: worth a second look. Outside the hard one: surely a
	// slip, ask.
	SoftLow  float64 `json:"soft_low"`
	SoftHigh float64 `json:"soft_high"`
	HardLow  float64 `json:"hard_low"`
	HardHigh float64 `json:"hard_high"`

	Mark provenance.Mark `json:"mark"`
}

type lengthRule struct {
	mm   float64
	mark provenance.Mark
}

func (t *tables) readLength(r *record) Length {
	mm := func(rule string) float64 {
		v, ok := t.lengthRules[rule]
		if !ok {
			r.fail("kind", "a rule "+rule+" in lengthrules.csv")
		}
		return v.mm
	}
	l := Length{
		Kind: r.kind(), ToothMean: r.number("mean", 5, 40), ToothLeast: r.number("least", 5, 40),
		ToothGreatest: r.number("greatest", 5, 40), Mark: r.mark("mark", "source"),
		HardLow: mm("hard-low"), HardHigh: mm("hard-high"),
	}
	l.Usual = l.ToothMean - mm("to-constriction")
	l.SoftLow = l.ToothLeast - mm("soft-below-least")
	l.SoftHigh = l.ToothGreatest + mm("soft-above-greatest")
	if l.Kind == tooth.MaxillaryFirstPremolar {
		l.SoftLow, l.SoftHigh = mm("soft-first-premolar-low"), mm("soft-first-premolar-high")
	}
	if l.ToothLeast > l.ToothMean || l.ToothMean > l.ToothGreatest {
		r.fail("mean", "a mean between least and greatest")
	}
	return l
}

// WorkingLength returns the usual lengths of a kind and the bands in which a
// measured working length is taken without a word. The error names a kind that
// does not exist.
func WorkingLength(kind tooth.Kind) (Length, error) {
	l, ok := shipped().lengths[kind]
	if !ok {
		return Length{}, fmt.Errorf("kind of tooth %q: want one of the 16 kinds, for example %s", kind, tooth.MandibularFirstMolar)
	}
	return l, nil
}

// Verdict on a working length.
type Verdict string

const (
	// Plausible: inside the usual band.
	Plausible Verdict = "plausible"
	// Unusual: outside it; keep it, with a remark.
	Unusual Verdict = "unusual"
	// Doubtful: so far outside that it must be confirmed before it is kept.
	Doubtful Verdict = "doubtful"
)

// Judge a working length in mm, measured from any cusp.
func (l Length) Judge(mm float64) (Verdict, Line) {
	switch {
	case math.IsNaN(mm) || mm < l.HardLow || mm > l.HardHigh:
		return Doubtful, Line{
			Text: fmt.Sprintf("%.1f mm is outside %.0f to %.0f mm, where every permanent tooth of the tables lies: confirm the reading", mm, l.HardLow, l.HardHigh),
			Mark: shipped().lengthRules["hard-low"].mark,
		}
	case mm < l.SoftLow || mm > l.SoftHigh:
		return Unusual, Line{
			Text: fmt.Sprintf("%.1f mm is unusual for %s (%.1f to %.1f mm, mostly near %.1f)", mm, article(l.Kind.Words()), l.SoftLow, l.SoftHigh, l.Usual),
			Mark: l.Mark,
		}
	}
	return Plausible, Line{
		Text: fmt.Sprintf("%.1f mm lies in the usual range of %s (%.1f to %.1f mm)", mm, article(l.Kind.Words()), l.SoftLow, l.SoftHigh),
		Mark: l.Mark,
	}
}

// JudgeTogether looks at the working lengths of one tooth's canals, in mm by
// canal name: a wide spread, and lengths that need the longest instruments.
// It is empty when there is nothing to remark.
func (l Length) JudgeTogether(canals map[string]float64) []Line {
	names := make([]string, 0, len(canals))
	for name := range canals {
		names = append(names, name)
	}
	sort.Strings(names)
	var out []Line
	if len(names) > 1 {
		short, long := names[0], names[0]
		for _, name := range names {
			if canals[name] < canals[short] {
				short = name
			}
			if canals[name] > canals[long] {
				long = name
			}
		}
		if rule := shipped().lengthRules["spread"]; canals[long]-canals[short] > rule.mm {
			out = append(out, Line{
				Text: fmt.Sprintf("%s %.1f mm and %s %.1f mm lie more than %.0f mm apart: check both readings and their reference points",
					short, canals[short], long, canals[long], rule.mm),
				Mark: rule.mark,
			})
		}
	}
	var needLong []string
	rule := shipped().lengthRules["long-instrument"]
	for _, name := range names {
		if canals[name] > rule.mm {
			needLong = append(needLong, name)
		}
	}
	if len(needLong) > 0 {
		out = append(out, Line{
			Text: fmt.Sprintf("%s above %.0f mm: set out 31 mm instruments", strings.Join(needLong, ", "), rule.mm),
			Mark: rule.mark,
		})
	}
	return out
}
