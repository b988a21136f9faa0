package proposal

import (
	"fmt"
	"strings"

	"github.com/visitwright/visitwright/planner/provenance"
	"github.com/visitwright/visitwright/planner/window"
)

// page collects lines of plain text.
type page struct{ strings.Builder }

func (p *page) line(format string, args ...any) { fmt.Fprintf(p, format+"\n", args...) }

func (p *page) head(title string) { p.line("\n%s\n%s", title, strings.Repeat("-", len([]rune(title)))) }

// Text is the plan as people read it: plain text, most important first.
func (p Plan) Text() string {
	var t page
	t.line("%s: %s", p.ToothLabel, p.Title)
	t.line("%s", p.Diagnosis.Name)
	if p.Intake != nil {
		t.line("Begun elsewhere: first visit %s.", windowText(*p.Intake))
	}
	t.line("\nRecommended: %s", p.Recommendation)

	t.head("Options side by side")
	t.line("%-12s %-18s %-20s %-22s %-14s %s", "", "lengths (min)", "minutes in chair", "complete after visit", "visits", "rules")
	for _, o := range p.Options {
		if !o.Feasible {
			t.line("%-12s %s", o.Title, o.Because)
			continue
		}
		var lengths, complete []string
		for _, v := range o.Visits {
			if v.Number <= o.Earliest {
				lengths = append(lengths, fmt.Sprint(v.Length))
			}
		}
		for i := range min(3, len(o.Complete)) {
			complete = append(complete, fmt.Sprintf("%d: %s", i+1, count(o.Complete[i].P)))
		}
		t.line("%-12s %-18s %-20s %-22s %-14s %s", o.Title, strings.Join(lengths, " + "),
			fmt.Sprintf("%.0f (%.0f to %.0f)", o.MeanMinutes, o.Minutes.Quantile(.1), o.Minutes.Quantile(.9)),
			complete[0], fmt.Sprintf("%.1f expected", o.ExpectedVisits), o.Strength.words())
		for _, c := range complete[1:] {
			t.line("%-12s %-18s %-20s %-22s", "", "", "", c)
		}
	}

	for _, o := range p.Options {
		t.head(o.Title)
		for _, v := range o.Visits {
			t.line("visit %d, %d minutes: %s (%s; %s)", v.Number, v.Length, v.Aim, v.OnTime.Words, needed(v))
			if v.Window != nil {
				t.line("  return %s%s", windowText(*v.Window), windowBecause(*v.Window))
			}
		}
		for _, r := range o.Reasons {
			t.line("%-16s %s [%s]", r.Strength.words()+":", r.Text, source(r.Mark))
		}
	}

	if len(p.Further) > 0 {
		t.head("What a further canal would change")
		for _, f := range p.Further {
			t.line("%s", f.Text)
		}
	}
	if len(p.Canals.Lines) > 0 {
		t.head("Canals to treat")
	}
	for _, l := range p.Canals.Lines {
		t.line("%s [%s]", l.Text, source(l.Mark))
	}
	t.head("Difficulty")
	for _, l := range p.Difficulty.Summary {
		t.line("%s", l.Text)
	}
	for _, r := range p.Difficulty.Reasons {
		t.line("%s: %s", r.Level, r.Text)
	}
	if p.ConsiderReferral {
		t.line("Consider referral.")
	}
	if len(p.Unknown) > 0 {
		t.line("Not assessed, would change minutes, counted as minimal: %s.", strings.Join(p.Unknown, ", "))
	}
	t.head("Where a visit may stop")
	for _, s := range p.Stops {
		t.line("%s (%s): %s", s.Name, s.Odds.Words, s.Text)
	}
	t.head("Cautions")
	for _, c := range p.Cautions {
		t.line("- %s", c.Text)
	}
	t.line("\nmodel %s, figures %s, calibration %s", p.Versions.Model, p.Versions.Data, orNone(p.Versions.Calibration))
	return t.String()
}

func orNone(s string) string {
	if s == "" {
		return "none"
	}
	return s
}

func needed(v Visit) string {
	if v.Number == 1 {
		return "always needed"
	}
	return v.Needed.Words
}

func (s Strength) words() string {
	switch s {
	case Forbids:
		return "forbids"
	case AdvisesAgainst:
		return "advises against"
	case Favours:
		return "favours"
	}
	return "neutral"
}

func source(m provenance.Mark) string {
	if flag := m.Flag(); flag != "" {
		return flag + ": " + m.Source
	}
	return m.Source
}

// windowBecause names the bounds that decide.
func windowBecause(w window.Window) string {
	var parts []string
	if w.Opens != nil && w.Opens.Days > 0 {
		parts = append(parts, w.Opens.Reason)
	}
	if w.Closes != nil {
		parts = append(parts, w.Closes.Reason)
	}
	if w.Waived != "" {
		parts = append(parts, w.Waived)
	}
	if w.Conflict != nil {
		parts = append(parts, w.Conflict.Text)
	}
	if len(parts) == 0 {
		return ""
	}
	return ": " + strings.Join(parts, "; ")
}

// Text is the sheet as one page of plain text.
func (s Sheet) Text() string {
	var t page
	t.line("VISIT SHEET: %d minutes booked", s.Length)
	if s.Emergency {
		s.redFlags(&t)
	}
	t.head("Before anything else")
	for _, l := range s.Identity {
		t.line("[ ] %s", l)
	}
	for _, a := range s.Alerts {
		t.line("[ ] ALERT %s. %s", a.Text, a.Effect)
	}
	t.head("Opening the visit")
	for _, l := range s.Start {
		t.line("%5.1f  %s", l.Minutes, l.Text)
	}
	for _, tooth := range s.Teeth {
		t.head(fmt.Sprintf("%s: %s, visit %d", tooth.Label, tooth.Treatment, tooth.Visit))
		t.line("Aim: %s. Difficulty %s. %s", tooth.Aim, orNone(tooth.Level), tooth.Consent)
		for _, l := range tooth.Steps {
			t.line("%5.1f  %s", l.Minutes, l.Text)
			if l.StopNext {
				t.line("       --- may stop here ---")
			}
		}
		for _, g := range tooth.GoOn {
			t.line("  clock: %s", g)
		}
		for _, c := range tooth.Canals {
			t.line("  canal %-5s %-9s %s; usual length %.1f mm (%.1f to %.1f)", c.Name, c.State, c.Odds.Words, c.Usual.Usual, c.Usual.SoftLow, c.Usual.SoftHigh)
		}
		if tooth.Dressing != "" {
			t.line("  dressing: %s", tooth.Dressing)
		}
		if tooth.Temporary != "" {
			t.line("  temporary: %s", tooth.Temporary)
		}
	}
	t.head("Set out")
	for _, l := range s.SetOut {
		t.line("[ ] %s", l)
	}
	if len(s.Anaesthetic.Lines) > 0 {
		t.head("Local anaesthetic")
		for _, l := range s.Anaesthetic.Lines {
			t.line("%s", l)
		}
	}
	if !s.Emergency {
		s.redFlags(&t)
	}
	t.head("Cautions")
	for _, c := range s.Cautions {
		t.line("- %s", c.Text)
	}
	return t.String()
}

func (s Sheet) redFlags(t *page) {
	t.head("Red flags")
	for _, f := range s.RedFlags {
		t.line("- %s", f.Question)
	}
	if s.Urgent != "" {
		t.line("If any: %s", s.Urgent)
	}
}
