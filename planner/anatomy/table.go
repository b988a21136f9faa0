package anatomy

import (
	"fmt"
	"io"
	"strings"
	"text/tabwriter"

	"github.com/visitwright/visitwright/planner/provenance"
	"github.com/visitwright/visitwright/planner/tooth"
)

// Table writes every figure of the package with its standing and source, for
// people to read and check.
func Table(w io.Writer) error {
	t := shipped()
	out := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	row := func(cells ...string) { fmt.Fprintln(out, strings.Join(cells, "\t")) }
	percents := func(p []float64) string {
		cells := make([]string, 0, len(p))
		for _, v := range p[1:] {
			cells = append(cells, percentText(v))
		}
		return strings.Join(cells, "\t")
	}
	marked := func(m provenance.Mark) string { return string(m.Kind) + "\t" + m.Source }

	row("COUNTS, percent of teeth with exactly 1 to 5")
	row("kind", "count", "shape", "row", "1", "2", "3", "4", "5", "standing", "source")
	for _, r := range t.counts {
		use := "published row"
		if r.Planned {
			use = "used for planning"
		}
		if r.MoreFrom > 0 {
			use += fmt.Sprintf(", %d or more in one figure", r.MoreFrom)
		}
		row(string(r.Kind), r.Count.Words(), string(r.Shape), use, percents(r.P), marked(r.Mark))
	}
	row("")
	row("COUNTS DERIVED FROM CANAL COURSES, percent of teeth")
	row("kind", "count", "1", "2", "3", "4", "5", "standing", "source")
	for _, k := range tooth.Kinds() {
		for _, c := range []Count{Orifices, CanalsToTreat, Foramina} {
			if r, ok := FromTypes(k, c); ok {
				row(string(k), c.Words(), percents(r.P), marked(r.Mark))
			}
		}
	}
	row("")
	row("SHAPES, percent of teeth")
	row("kind", "shape", "share", "low", "high", "routine canals", "standing", "source")
	for _, s := range t.shapes {
		row(string(s.Kind), string(s.Shape), percentText(s.Share), percentText(s.Low), percentText(s.High), fmt.Sprint(s.Routine), marked(s.Mark))
	}
	row("")
	row("CANALS FOUND AT ACCESS WITHOUT A SEARCH")
	for _, k := range tooth.Kinds() {
		row(string(k), fmt.Sprint(t.routine[k].canals), marked(t.routine[k].mark))
	}
	row("")
	row("CANAL NAMES in order of treatment")
	row("kinds", "shape", "canals", "names", "further canal", "standing", "source")
	for _, c := range t.canals {
		for _, k := range c.kinds {
			if p, err := PriorOf(k, c.shape); err == nil && c.n <= p.MostOf() {
				row(string(k), string(c.shape), fmt.Sprint(c.n), strings.Join(c.names, " "), c.words, marked(c.mark))
			}
		}
	}
	row("")
	row("SIGNS, percent")
	row("sign", "kind", "form", "group", "beyond", "routine", "sensitivity", "standing", "source", "specificity", "standing", "source")
	for _, s := range t.signs {
		for _, k := range s.kinds {
			spec := "-\t-\t-"
			if s.usesSpecificity() {
				spec = percentText(s.specificity) + "\t" + marked(s.specMark)
			}
			row(string(s.sign), string(k), string(s.form), s.group, fmt.Sprint(s.beyond), percentText(s.routine),
				percentText(s.sensitivity), marked(s.sensMark), spec)
		}
	}
	for _, name := range []string{"short-by-another", "other-side-floor"} {
		row(name, percentText(t.signRules[name].share), marked(t.signRules[name].mark))
	}
	row("")
	row("LENGTHS, mm")
	row("kind", "tooth mean", "least", "greatest", "usual working length", "soft band", "standing", "source")
	for _, k := range tooth.Kinds() {
		l := t.lengths[k]
		row(string(k), fmt.Sprintf("%.1f\t%.1f\t%.1f\t%.1f\t%.1f to %.1f", l.ToothMean, l.ToothLeast, l.ToothGreatest, l.Usual, l.SoftLow, l.SoftHigh), marked(l.Mark))
	}
	for _, name := range []string{"to-constriction", "soft-below-least", "soft-above-greatest", "soft-first-premolar-low", "soft-first-premolar-high", "hard-low", "hard-high", "spread", "long-instrument"} {
		row(name, fmt.Sprintf("%.1f", t.lengthRules[name].mm), marked(t.lengthRules[name].mark))
	}
	return out.Flush()
}
