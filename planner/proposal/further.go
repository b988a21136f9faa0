package proposal

import (
	"fmt"
	"slices"
	"strings"

	"github.com/visitwright/visitwright/planner/visits"
)

// further says what one canal more than expected would change: how likely it
// is, what it costs, and which lengths would have been booked had it been known.
func (w *work) further() error {
	o, ok := w.plan.Option(w.plan.Recommended)
	// In the middle of a treatment the answer in the chair says what it changes.
	if !ok || !w.worksOnCanals() || w.in.From != nil {
		return nil
	}
	b := w.plan.Canals
	base, err := w.known(b.Expected)
	if err != nil {
		return err
	}
	was, err := w.solveKnown(base, o)
	if err != nil {
		return err
	}
	for n := b.Expected + 1; n < len(b.P); n++ {
		odds := b.AtLeast(n)
		if odds < *w.tables.limits["likely_further"].V && n > b.Expected+1 {
			break
		}
		more, err := w.known(n)
		if err != nil {
			return err
		}
		is, err := w.solveKnown(more, o)
		if err != nil {
			return err
		}
		f := Further{Canals: n, Odds: oddsWords(odds, "of such teeth have it"), Minutes: is.mean - was.mean, Lengths: is.lengths, Complete: []Odds{}}
		f.Name, f.Words = b.Names[n-1], "further canal"
		for _, x := range b.Further {
			if x.Canals == n {
				f.Name, f.Words = x.Name, x.Words
			}
		}
		for _, c := range o.Result.Canals {
			if c.Found == n {
				for i, p := range c.Complete {
					f.Complete = append(f.Complete, oddsWords(p, fmt.Sprintf("are complete after visit %d", i+1)))
				}
			}
		}
		f.Text = w.furtherText(f, was)
		w.plan.Further = append(w.plan.Further, f)
	}
	return nil
}

// worksOnCanals: a consultation has nothing that a further canal could change.
func (w *work) worksOnCanals() bool {
	return slices.ContainsFunc(w.model.Stages, func(s visits.Stage) bool { return len(s.Work.PerCanal) > 0 })
}

type knownAnswer struct {
	mean    float64
	lengths []int
}

// solveKnown solves the option for a tooth whose number of canals is known,
// without the limit of what the patient bears: lengths above it are not named.
func (w *work) solveKnown(b visits.CanalBelief, o Option) (knownAnswer, error) {
	m, _, err := w.catalogue.Compile(w.caseInput(b))
	if err != nil {
		return knownAnswer{}, err
	}
	m = w.dressedBetween(m, o.Earliest)
	how := visits.Option{EarliestCompletion: o.Earliest, Bear: &visits.Bear{}}
	res, err := w.follow(&m, how)
	tooShort := impossible(err)
	if tooShort { // longer than the practice books: the minutes are still told
		m.Grid.Most = m.Grid.Least + (m.Cap-m.Grid.Least)/m.Grid.Step*m.Grid.Step
		res, err = w.follow(&m, how)
	}
	if err != nil {
		return knownAnswer{}, err
	}
	a := knownAnswer{mean: res.Total.Mean()}
	if tooShort || m.Bear.Minutes > 0 && !bearable(res, m.Bear, o.Earliest) {
		return a, nil
	}
	for _, v := range res.Visits[:min(o.Earliest, len(res.Visits))] {
		a.lengths = append(a.lengths, v.Length)
	}
	return a, nil
}

func (w *work) furtherText(f Further, was knownAnswer) string {
	text := fmt.Sprintf("%s (%s), %d canals to treat: %s. It costs about %.0f minutes more", f.Name, f.Words, f.Canals, f.Odds.Words, f.Minutes)
	switch {
	case len(f.Lengths) == 0:
		text += "; known beforehand, the visits would be longer than this patient bears or the practice books"
	case len(was.lengths) > 0 && slices.Equal(f.Lengths, was.lengths):
		text += fmt.Sprintf("; the lengths stay %s minutes", minutesList(was.lengths))
	case len(was.lengths) > 0:
		text += fmt.Sprintf("; known beforehand one would book %s instead of %s minutes", minutesList(f.Lengths), minutesList(was.lengths))
	}
	if len(f.Complete) > 0 {
		k := w.earliest()
		text += fmt.Sprintf("; with the lengths as booked %s", f.Complete[min(k, len(f.Complete))-1].Words)
	}
	return text + "."
}

func (w *work) earliest() int {
	o, _ := w.plan.Option(w.plan.Recommended)
	return max(1, o.Earliest)
}

func minutesList(lengths []int) string {
	var parts []string
	for _, l := range lengths {
		parts = append(parts, fmt.Sprint(l))
	}
	return strings.Join(parts, " + ")
}
