package anaesthetic

import (
	"fmt"
	"io"
	"strings"
	"text/tabwriter"
)

// Table writes every limit with its standing and source, and what each profile
// uses, for people to read and check.
func Table(w io.Writer) error {
	t := shipped()
	out := tabwriter.NewWriter(w, 0, 0, 2, ' ', 0)
	row := func(cells ...string) { fmt.Fprintln(out, strings.Join(cells, "\t")) }
	row("WHAT EACH PROFILE USES")
	row("profile", "agent", "limit")
	for _, p := range Profiles() {
		for _, a := range t.Agents {
			row(string(p), a.ID, p.limit(a.ID).text())
		}
	}
	row("")
	row("LIMITS AS THEIR SOURCES GIVE THEM")
	row("profile", "agent", "limit", "use", "standing", "source")
	for _, l := range t.limits {
		row(l.profile, l.agent, rowText(l), string(l.use), string(l.mark.Kind), l.mark.Source)
	}
	row("")
	row("VASOCONSTRICTORS, mg in one visit")
	row("vasoconstrictor", "healthy", "significant heart disease", "standing", "source")
	for _, v := range t.Vasoconstrictors {
		if v.Mark != nil {
			row(v.ID, plain(v.LimitMG), plain(v.CardiacLimitMG), string(v.Mark.Kind), v.Mark.Source)
		}
	}
	row("")
	row("BOUNDS OF WHAT IS TAKEN")
	for _, a := range t.Agents {
		row(a.ID, plain(a.LeastPercent)+" to "+plain(a.MostPercent)+" %", a.Vasoconstrictor+" vasoconstrictor", string(t.AgentsMark.Kind), t.AgentsMark.Source)
	}
	b := t.Bounds
	row("weight", plain(b.LeastWeightKG)+" to "+plain(b.MostWeightKG)+" kg", "", string(b.Mark.Kind), b.Mark.Source)
	row("cartridge", plain(b.LeastCartridgeML)+" to "+plain(b.MostCartridgeML)+" mL", "", string(b.Mark.Kind), b.Mark.Source)
	row("")
	row("CAUTIONS")
	for _, c := range t.Cautions {
		agent := c.Agent
		if agent == "" {
			agent = "all"
		}
		row(agent, c.Text, "", string(c.Mark.Kind), c.Mark.Source)
	}
	return out.Flush()
}
