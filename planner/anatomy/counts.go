// Package anatomy says what is to be expected inside a tooth before it is
// opened: how many canals, what they are called, how long they are, and how
// evidence sharpens that expectation.
//
// Three counts are kept apart, and every figure names its own: orifices (on
// the chamber floor), canals to treat (the most separate canals at any level)
// and foramina (exits). A tooth of one orifice and two exits has two canals to
// treat.
//
// All figures are embedded data with provenance; see Table for all of them at
// once. Published rows are kept beside the planning rows that are used, which
// are our synthesis and marked as assumed.
package anatomy

import (
	"fmt"

	"github.com/visitwright/visitwright/planner/provenance"
	"github.com/visitwright/visitwright/planner/tooth"
)

// Most is the largest number of canals to treat that is followed.
const Most = 5

// Count says what is counted.
type Count string

// The three counts.
const (
	Orifices      Count = "orifices"
	CanalsToTreat Count = "canals"
	Foramina      Count = "foramina"
)

// Words names the count on a screen.
func (c Count) Words() string {
	if c == CanalsToTreat {
		return "canals to treat"
	}
	return string(c)
}

// Shape is a kind of anatomy that alters names and expected canals.
type Shape string

const (
	// Usual: neither of the others is known. The planning row of the usual shape
	// holds for all teeth of its kind, except that C-shaped teeth are kept apart.
	Usual Shape = "usual"
	// CShaped: canals joined in a ribbon.
	CShaped Shape = "c-shaped"
	// DistolingualRoot: a third root on the tongue side of a lower molar.
	DistolingualRoot Shape = "distolingual-root"
)

func (s Shape) valid() bool { return s == Usual || s == CShaped || s == DistolingualRoot }

// Words names the shape on a screen.
func (s Shape) Words() string {
	switch s {
	case CShaped:
		return "C-shaped canal"
	case DistolingualRoot:
		return "distolingual root"
	}
	return "usual shape"
}

// Row is one distribution of a count for one kind of tooth.
type Row struct {
	Kind    tooth.Kind `json:"kind"`
	Count   Count      `json:"count"`
	Shape   Shape      `json:"shape"`
	Planned bool       `json:"planned"` // the row that is used for planning; else a published row
	// P[n] is the share of teeth with exactly n; P[0] is 0; Most+1 entries.
	// Published rows sum to one only within the rounding of their source.
	P []float64 `json:"p"`
	// MoreFrom, when above 0, is the number at which the source stops splitting:
	// P[MoreFrom] stands for "so many or more".
	MoreFrom int `json:"more_from,omitempty"`
	// Low and High are the published range of the share with RangeFrom or more;
	// RangeFrom is 0 when none was gathered.
	RangeFrom int             `json:"range_from,omitempty"`
	Low       float64         `json:"low,omitempty"`
	High      float64         `json:"high,omitempty"`
	Teeth     int             `json:"teeth,omitempty"` // teeth in the series; 0 when unknown
	Mark      provenance.Mark `json:"mark"`
}

func readCounts(r *record) Row {
	row := Row{
		Kind: r.kind(), Count: Count(r.text("count")), Shape: r.shape(),
		P: make([]float64, Most+1), MoreFrom: r.whole("more_from", 0, Most),
		Mark: r.mark("mark", "source"),
	}
	switch row.Count {
	case Orifices, CanalsToTreat, Foramina:
	default:
		r.fail("count", "orifices, canals or foramina")
	}
	switch r.text("role") {
	case "planning":
		row.Planned = true
	case "anchor":
	default:
		r.fail("role", "planning or anchor")
	}
	for n := 1; n <= Most; n++ {
		row.P[n] = r.percent(fmt.Sprintf("p%d", n))
	}
	low, hasLow := r.optional("low", 0, 100)
	high, hasHigh := r.optional("high", 0, 100)
	from, hasFrom := r.optional("range_from", 1, Most)
	if hasLow != hasHigh || hasLow != hasFrom || low > high {
		r.fail("low", "range_from, low and high together, the lower first")
	}
	row.RangeFrom, row.Low, row.High = int(from), low/100, high/100
	if n, ok := r.optional("teeth", 0, 1e6); ok {
		row.Teeth = int(n)
	}
	return row
}

// Prior is the planning row of a kind: canals to treat, usual shape. It is a
// synthesis, marked as assumed; Published has the rows it was made from. The
// error names a kind that does not exist.
func Prior(kind tooth.Kind) (Row, error) { return PriorOf(kind, Usual) }

// PriorOf is the planning row of a kind once its shape is known.
func PriorOf(kind tooth.Kind, shape Shape) (Row, error) {
	if !kind.Valid() {
		return Row{}, fmt.Errorf("kind of tooth %q: want one of the 16 kinds, for example %s", kind, tooth.MandibularFirstMolar)
	}
	if shape == "" {
		shape = Usual
	}
	for _, row := range shipped().counts {
		if row.Planned && row.Kind == kind && row.Shape == shape && row.Count == CanalsToTreat {
			return row.copied(), nil
		}
	}
	return Row{}, fmt.Errorf("shape %q of the %s: %s", shape, kind.Words(), shapesWanted(kind))
}

func (r Row) copied() Row {
	r.P = append([]float64(nil), r.P...)
	return r
}

// Published returns the published rows of a kind and count, as their sources
// give them.
func Published(kind tooth.Kind, count Count) []Row {
	var out []Row
	for _, row := range shipped().counts {
		if !row.Planned && row.Kind == kind && row.Count == count {
			out = append(out, row.copied())
		}
	}
	return out
}

// MostOf is the largest count with any share in the row.
func (r Row) MostOf() int {
	for n := Most; n > 0; n-- {
		if r.P[n] > 0 {
			return n
		}
	}
	return 0
}

// AtLeast is the share of teeth with n or more.
func (r Row) AtLeast(n int) float64 { return atLeast(r.P, n) }

func atLeast(p []float64, n int) float64 {
	sum := 0.0
	for i := len(p) - 1; i >= n && i > 0; i-- {
		sum += p[i]
	}
	return sum
}

type routineRow struct {
	canals int
	mark   provenance.Mark
}

// Routine is the number of canals found at access without a search, if they
// exist; further canals are those beyond it. 0 when there is no such kind or
// shape.
func Routine(kind tooth.Kind, shape Shape) int {
	if shape == Usual || shape == "" {
		return shipped().routine[kind].canals
	}
	if s, ok := shapeOf(kind, shape); ok {
		return s.Routine
	}
	return 0
}
