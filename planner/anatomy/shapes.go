package anatomy

import (
	"fmt"
	"strings"

	"github.com/visitwright/visitwright/planner/provenance"
	"github.com/visitwright/visitwright/planner/tooth"
)

// ShapeRow says how often a kind of tooth has a shape.
type ShapeRow struct {
	Kind  tooth.Kind
	Shape Shape
	// Share of teeth of the kind; Low and High are the range between regions.
	Share, Low, High float64
	Routine          int // canals found at access without a search, if they exist
	Mark             provenance.Mark
}

func readShape(r *record) ShapeRow {
	row := ShapeRow{
		Kind: r.kind(), Shape: r.shape(),
		Share: r.percent("percent"), Low: r.percent("low"), High: r.percent("high"),
		Routine: r.whole("routine", 1, Most), Mark: r.mark("mark", "source"),
	}
	if row.Low > row.Share || row.Share > row.High {
		r.fail("percent", "a share inside its range")
	}
	return row
}

// Shapes returns the shapes other than the usual one that a kind may have.
func Shapes(kind tooth.Kind) []ShapeRow {
	var out []ShapeRow
	for _, s := range shipped().shapes {
		if s.Kind == kind {
			out = append(out, s)
		}
	}
	return out
}

func shapeOf(kind tooth.Kind, shape Shape) (ShapeRow, bool) {
	for _, s := range shipped().shapes {
		if s.Kind == kind && s.Shape == shape {
			return s, true
		}
	}
	return ShapeRow{}, false
}

func shapesWanted(kind tooth.Kind) string {
	names := []string{string(Usual)}
	for _, s := range Shapes(kind) {
		names = append(names, string(s.Shape))
	}
	return "want " + strings.Join(names, " or ")
}

// Line says in words how often the shape occurs.
func (s ShapeRow) Line() Line {
	return Line{
		Text: fmt.Sprintf("%s: %s of %ss (%s to %s %% by region)",
			capital(s.Shape.Words()), odds(s.Share), s.Kind.Words(), percentText(s.Low), percentText(s.High)),
		Mark: s.Mark,
	}
}
