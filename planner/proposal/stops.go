package proposal

import (
	"fmt"
	"slices"
	"strings"

	"github.com/visitwright/visitwright/planner/provenance"
	"github.com/visitwright/visitwright/planner/visits"
	"github.com/visitwright/visitwright/planner/window"
)

// stops lists the stopping points of the treatment and what ending a visit
// there would mean.
func (w *work) stops() error {
	o, _ := w.plan.Option(w.plan.Recommended)
	for i, s := range w.model.Stops {
		state, err := w.catalogue.Stop(s.ID)
		if err != nil {
			return err
		}
		stop := Stop{ID: s.ID, Name: state.Name, Rule: state.Rule, Allowed: s.Allowed}
		odds := 0.0
		if o.Result != nil {
			for _, e := range o.Result.Visits[0].Ends {
				if e.State.Stage == i {
					odds += e.Odds
				}
			}
		}
		stop.Odds = oddsWords(odds, "first visits end here")
		if state.Dressed {
			win, err := w.window(s.ID, nil)
			if err != nil {
				return err
			}
			stop.Window = &win
		}
		stop.Text = stopText(stop)
		w.plan.Stops = append(w.plan.Stops, stop)
		if state.Partly != "" {
			// Between canals the same stop is another state.
			p, err := w.catalogue.Stop(state.Partly)
			if err != nil {
				return err
			}
			win, err := w.window(p.ID, nil)
			if err != nil {
				return err
			}
			part := Stop{ID: p.ID, Name: p.Name, Rule: p.Rule, Allowed: s.Allowed, Window: &win, Odds: oddsWords(0, "first visits end here")}
			if o.Result != nil {
				between := 0.0
				for _, e := range o.Result.Visits[0].Ends {
					if e.State.Stage == i && e.State.Canal > 0 {
						between += e.Odds
					}
				}
				part.Odds = oddsWords(between, "first visits end here")
				last := &w.plan.Stops[len(w.plan.Stops)-1]
				last.Odds = oddsWords(odds-between, "first visits end here")
			}
			part.Text = stopText(part)
			w.plan.Stops = append(w.plan.Stops, part)
		}
	}
	return nil
}

func stopText(s Stop) string {
	text := s.Rule
	if !s.Allowed && s.Window != nil {
		text += " Only when forced."
	}
	if s.Window != nil {
		text += " Return " + windowText(*s.Window) + "."
	}
	return text
}

// windowText reads "after 7 to 28 days, best after 14".
func windowText(w window.Window) string {
	if !w.Needed {
		return "at any time"
	}
	if w.Overdue {
		return "now: the latest day has passed"
	}
	return fmt.Sprintf("after %d to %d days, best after %d", w.Earliest, w.Latest, w.Target)
}

func mark(kind provenance.Kind, source string) provenance.Mark {
	return provenance.Mark{Kind: kind, Source: source}
}

// cautions collects what the clinician must know.
func (w *work) cautions() {
	add := func(id, text string, m provenance.Mark) {
		w.plan.Cautions = append(w.plan.Cautions, Caution{ID: id, Text: text, Mark: m})
	}
	if i := w.plan.Intake; i != nil {
		switch a, late := i.After(0); {
		case late:
			add("clock-run-out", "Dressed elsewhere and overdue. "+a.Text, a.Mark)
		default:
			add("clock-runs", "Dressed elsewhere: its clock already runs; the first visit is due "+windowText(*i)+".", mark("practice", "treatment begun elsewhere starts its clock at intake"))
		}
	}
	if w.in.Overdue != nil {
		if text, err := w.overdueCaution(); err == nil {
			add("clock-run-out", text, mark("practice", "no trial gives a timetable; built on the limits of dressing and seal"))
		}
	}
	if mm := w.in.Patient.OpeningMM; mm > 0 && mm < *w.tables.limits["opening_impractical_mm"].V {
		l := w.tables.limits["opening_impractical_mm"]
		add("opening", fmt.Sprintf("The mouth opens %.0f mm: work on back teeth is hardly possible.", mm), mark(l.Kind, l.Source))
	}
	if b := w.plan.Canals; w.worksOnCanals() && b.AtLeast(b.Expected+1) > 0 {
		add("residual-canal", "A search that finds nothing leaves a chance: the count stays a likelihood, whatever image and search say.", b.Mark)
	}
	for _, text := range w.protocol.Cautions {
		add("protocol", text, mark("practice", "the protocol's own cautions; local codes come first"))
	}
	if w.in.Protocol == "emergency-relief" {
		add("red-flags", strings.TrimSpace("The red-flag questions come before any appointment: spreading swelling, trouble swallowing, breathing or opening, fever and feeling unwell. "+w.in.Clinic.UrgentInstruction), mark("practice", "emergency intake; the practice's own instruction"))
	}
	if !slices.ContainsFunc(w.model.Stages, func(s visits.Stage) bool { return s.Gate != nil }) {
		add("odds", "Odds of minutes are no clinical go-ahead: the clinician decides.", mark("practice", "ground rule of this planner"))
		return
	}
	add("odds", "Odds of minutes are no clinical go-ahead: the ready-to-fill check is answered in the chair, and the clinician decides.", mark("practice", "ground rule of this planner"))
}
