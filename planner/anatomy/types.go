package anatomy

import (
	"fmt"

	"github.com/visitwright/visitwright/planner/provenance"
	"github.com/visitwright/visitwright/planner/tooth"
)

// courses are Vertucci's eight types as the number of canals from the chamber
// to the apex. What is an orifice, a canal to treat or a foramen follows from
// the course, which is why one study yields three different counts.
// Source: Vertucci 1984; the grouping I = one, II to VII = two, VIII = three
// canals is that of Kartal 1998 (J Endod 24:417).
var courses = [...][]int{
	{1}, {2, 1}, {1, 2, 1}, {2, 2}, {1, 2}, {2, 1, 2}, {1, 2, 1, 2}, {3, 3},
}

type typeRow struct {
	kind  tooth.Kind
	root  string
	share [len(courses)]float64
	teeth int
	mark  provenance.Mark
}

func readTypes(r *record) typeRow {
	row := typeRow{kind: r.kind(), root: r.text("root"), teeth: r.whole("teeth", 1, 1e6), mark: r.mark("mark", "source")}
	for i := range courses {
		row.share[i] = r.percent(fmt.Sprintf("t%d", i+1))
	}
	return row
}

// countIn is how many of the named count a course has.
func countIn(course []int, count Count) int {
	switch count {
	case Orifices:
		return course[0]
	case Foramina:
		return course[len(course)-1]
	}
	most := 0
	for _, n := range course {
		most = max(most, n)
	}
	return most
}

// distribution of a count in one root; index = number.
func (t typeRow) distribution(count Count) []float64 {
	p := make([]float64, Most+1)
	for i, course := range courses {
		p[countIn(course, count)] += t.share[i]
	}
	return p
}

// FromTypes derives a count of the whole tooth from the published courses of
// its roots. Roots are combined as if independent, which is an assumption: it
// reproduces Skidmore and Bjorndal's lower first molars well and Weine's lower
// second molars badly. ok is false for kinds without a published row.
func FromTypes(kind tooth.Kind, count Count) (row Row, ok bool) {
	p := []float64{1}
	row = Row{Kind: kind, Count: count, Shape: Usual}
	roots := 0
	for _, t := range shipped().types {
		if t.kind != kind {
			continue
		}
		p = convolve(p, t.distribution(count))
		roots++
		if row.Mark.Kind == "" || t.mark.Kind != provenance.Published {
			row.Mark = t.mark
		}
		row.Teeth = t.teeth
	}
	if roots == 0 {
		return Row{}, false
	}
	if roots > 1 {
		row.Mark.Source += "; roots combined as if independent"
	}
	row.P = make([]float64, Most+1)
	for n, v := range p {
		row.P[min(n, Most)] += v
	}
	return row, true
}

func convolve(a, b []float64) []float64 {
	out := make([]float64, len(a)+len(b)-1)
	for i, x := range a {
		for j, y := range b {
			out[i+j] += x * y
		}
	}
	return out
}
