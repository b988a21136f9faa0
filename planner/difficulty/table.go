package difficulty

import (
	"fmt"
	"io"
)

// Table writes every question, answer and rule of an edition with its level,
// standing and source, for people to read and check.
func Table(w io.Writer, e Edition) error {
	f, err := formOf(e)
	if err != nil {
		return err
	}
	line := func(format string, args ...any) {
		if err == nil {
			_, err = fmt.Fprintf(w, format+"\n", args...)
		}
	}
	line("%s", f.Title)
	line("  %d moderate criteria, or one high, make a high case [%s: %s]", f.Rule.ModerateForHigh, f.Rule.Mark.Kind, f.Rule.Mark.Source)
	line("  several questions of one criterion count once [%s: %s]", f.PartsRule.Kind, f.PartsRule.Source)
	if f.VolumeMark != nil {
		line("  a CBCT is to be considered from %s [%s: %s]", f.VolumeFrom, f.VolumeMark.Kind, f.VolumeMark.Source)
	}
	line("  + marks criteria tied to treatment time [%s: %s]", f.TiedToTime.Kind, f.TiedToTime.Source)
	group := Group("")
	for _, c := range f.Criteria {
		if c.Group != group {
			group = c.Group
			line("\n%s", group)
		}
		tied := " "
		if c.TiedToTime {
			tied = "+"
		}
		line(" %s%s: %s", tied, c.ID, c.Ask)
		for _, p := range c.Parts {
			if len(c.Parts) > 1 {
				line("    %s: %s", p.ID, p.Ask)
			}
			for _, a := range p.Answers {
				line("      %-9s %-38s %s [%s: %s]", a.Level, a.ID, a.Text, a.Mark.Kind, a.Mark.Source)
			}
		}
	}
	return err
}
