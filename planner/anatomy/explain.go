package anatomy

import (
	"fmt"
	"math"
	"strings"
)

// worthNaming is the least share at which a further canal is named in the
// explanation: rarer ones would bury what matters.
const worthNaming = 0.005

func (it *item) weighed() Weighed {
	text := capital(phrase(it.Evidence))
	switch {
	case it.aside != "":
		text += ": not counted, " + it.aside
	case it.row.form == formLocated:
		text += ": a fact"
	case it.shift > 0:
		text += ": speaks for a further canal; " + it.row.weight(it.Evidence)
	default:
		text += ": speaks against a further canal; " + it.row.weight(it.Evidence)
	}
	return Weighed{Evidence: it.Evidence, Counted: it.counted, Text: text, Mark: it.row.mark()}
}

// explain writes the lines: what a further canal's odds became and why, what
// was expected before, each piece of evidence, and the shapes to think of.
func (b *Belief) explain(prior Row, further, most int) error {
	var why []string
	for _, w := range b.Weighed {
		if w.Counted {
			why = append(why, phrase(w.Evidence))
		}
	}
	for n := further; n <= most; n++ {
		f, err := FurtherCanal(b.Kind, n, b.Shape)
		if err != nil {
			return err
		}
		o := FurtherOdds{Canals: n, Name: f.Name, Words: f.Words, Before: atLeast(b.Before, n), Now: b.AtLeast(n)}
		b.Further = append(b.Further, o)
		if math.Max(o.Before, o.Now) < worthNaming {
			continue
		}
		text := fmt.Sprintf("%s (canal to treat number %d): %s before", capital(o.Words), n, odds(o.Before))
		if len(why) > 0 {
			text += fmt.Sprintf(", %s now, because %s", odds(o.Now), strings.Join(why, "; "))
		}
		b.Lines = append(b.Lines, Line{Text: text, Mark: b.Mark})
	}
	if further > most {
		b.Lines = append(b.Lines, Line{
			Text: fmt.Sprintf("All %s that the tables know for %s are located", canalsText(most), article(b.Kind.Words())),
			Mark: prior.Mark,
		})
	}
	b.Lines = append(b.Lines, Line{Text: priorText(prior, b), Mark: prior.Mark})
	for _, w := range b.Weighed {
		b.Lines = append(b.Lines, Line{Text: w.Text, Mark: w.Mark})
	}
	if b.Shape == Usual {
		for _, s := range Shapes(b.Kind) {
			b.Lines = append(b.Lines, s.Line())
		}
	}
	return nil
}

func priorText(prior Row, b *Belief) string {
	var parts []string
	for n := 1; n < len(b.Before); n++ {
		if b.Before[n] > 0 {
			parts = append(parts, fmt.Sprintf("%s %% have %d", percentText(b.Before[n]), n)) // "2 in 3 %" would read as odds
		}
	}
	of := article(b.Kind.Words())
	if b.Shape != Usual {
		of += " with " + b.Shape.Words()
	}
	text := fmt.Sprintf("Canals to treat in %s before any evidence: %s", of, strings.Join(parts, ", "))
	if prior.RangeFrom > 0 {
		text += fmt.Sprintf("; published shares of %d or more run from %s to %s %%", prior.RangeFrom, percentText(prior.Low), percentText(prior.High))
	}
	return text
}
