package protocol

import (
	"fmt"
	"slices"
	"strings"

	"github.com/visitwright/visitwright/planner/provenance"
	"github.com/visitwright/visitwright/planner/visits"
)

// Trace says for every number in a compiled model where it came from.
type Trace struct {
	Lines []Line `json:"lines"`
	// Unknown criteria would have stretched a step but were not assessed: they
	// counted as minimal.
	Unknown []string `json:"unknown"`
}

// Line is one number of the model.
type Line struct {
	Path  string    `json:"path"` // in the model, with ids in place of positions
	Value float64   `json:"value"`
	Base  Figure    `json:"base"`            // the catalogue figure it starts from
	Times []Applied `json:"times,omitempty"` // what it was multiplied by, in order
	Note  string    `json:"note,omitempty"`
}

// Applied is one factor that was multiplied in.
type Applied struct {
	What   string `json:"what"`
	Figure Figure `json:"figure"`
}

// String reads "3.45 = 2.5 (memory) x 1.15 root-form moderate (assumed) x ...".
func (l Line) String() string {
	var s strings.Builder
	fmt.Fprintf(&s, "%s = %.4g", l.Path, l.Value)
	if len(l.Times) > 0 {
		fmt.Fprintf(&s, " = %.4g", l.Base.Value)
	}
	if flag := l.Base.Mark.Flag(); flag != "" {
		fmt.Fprintf(&s, " (%s)", flag)
	}
	for _, t := range l.Times {
		fmt.Fprintf(&s, " x %.4g %s", t.Figure.Value, t.What)
		if flag := t.Figure.Mark.Flag(); flag != "" {
			fmt.Fprintf(&s, " (%s)", flag)
		}
	}
	if l.Note != "" {
		s.WriteString("; " + l.Note)
	}
	return s.String()
}

// Find returns the line of a model path.
func (t Trace) Find(path string) (Line, bool) {
	i := slices.IndexFunc(t.Lines, func(l Line) bool { return l.Path == path })
	if i < 0 {
		return Line{}, false
	}
	return t.Lines[i], true
}

func (t *Trace) add(l Line) { t.Lines = append(t.Lines, l) }

func (t *Trace) unknown(criterion string) {
	if !slices.Contains(t.Unknown, criterion) {
		t.Unknown = append(t.Unknown, criterion)
	}
}

func local(path string, v float64) Line {
	mark := provenance.Mark{Kind: provenance.Local, Source: "set by this practice"}
	return Line{Path: path, Value: v, Base: Figure{Path: path, Value: v, Mark: mark}}
}

// inputs traces the numbers that the caller handed in: the canals believed in
// and the practice's own costs, grid and limits.
func (b *builder) inputs(m visits.Model) {
	belief := provenance.Mark{Kind: provenance.Assumed, Source: "worked out from published canal counts and this tooth's evidence; the lines of the anatomy stand beside it in the plan"}
	for n, p := range m.Canals.P {
		path := fmt.Sprintf("canals/p/%d", n)
		b.trace.add(Line{Path: path, Value: p, Base: Figure{Path: path, Value: p, Unit: "probability", Mark: belief}})
	}
	b.trace.add(Line{Path: "canals/expected", Value: float64(m.Canals.Expected), Base: Figure{Path: "canals/expected", Value: float64(m.Canals.Expected), Unit: "canals", Mark: belief}})
	for _, in := range []struct {
		path string
		v    float64
	}{
		{"cost/work", m.Cost.Work}, {"cost/overrun", m.Cost.Overrun}, {"cost/idle", m.Cost.Idle}, {"cost/visit", m.Cost.Visit}, {"cost/unused", m.Cost.Unused},
		{"grid/least", float64(m.Grid.Least)}, {"grid/most", float64(m.Grid.Most)}, {"grid/step", float64(m.Grid.Step)},
		{"bear/minutes", float64(m.Bear.Minutes)}, {"bear/chance", m.Bear.Chance},
		{"horizon", float64(m.Horizon)}, {"cap", float64(m.Cap)},
	} {
		b.trace.add(local(in.path, in.v))
	}
}
