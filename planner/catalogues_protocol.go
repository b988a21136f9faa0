package planner

import (
	"strings"

	"github.com/visitwright/visitwright/planner/chairside"
	"github.com/visitwright/visitwright/planner/protocol"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// The catalogues that the protocols own, with the figures of the practice.

func stepEntries(c *protocol.Catalogue) ([]*vw.CatalogueEntry, error) {
	off := c.OffSteps()
	var out []*vw.CatalogueEntry
	for _, s := range c.Steps() {
		text := "once " + string(s.Scope)
		switch s.Scope {
		case protocol.PerVisit:
			text = "once in a visit"
		case protocol.PerTooth:
			text = "once on the tooth"
		case protocol.PerCanal:
			text = "on every canal"
		}
		for _, id := range off {
			if id == s.ID {
				text += "; a practice may leave it out"
			}
		}
		out = append(out, &vw.CatalogueEntry{Id: s.ID, Title: s.Name, Explanation: text, Figures: figuresBelow(c, "steps."+s.ID+".")})
	}
	return out, nil
}

// eventEntries lists what a person marks in the chair, in the order in which it
// is offered, and then what the model reckons with beyond that.
func eventEntries(c *protocol.Catalogue) ([]*vw.CatalogueEntry, error) {
	var out []*vw.CatalogueEntry
	marked, err := chairside.Events()
	if err != nil {
		return nil, err
	}
	seen := map[string]bool{}
	for _, e := range marked {
		seen[e.ID] = true
		entry := &vw.CatalogueEntry{Id: e.ID, Title: e.Name, Explanation: e.First, Figures: figuresBelow(c, "events."+e.ID+"."), Needs: needsOf(e), Traits: traitsOf(e)}
		if e.Minutes != nil {
			entry.Figures = append(entry.Figures, figure(e.Minutes.Median, "min", "median", e.Minutes.Mark), figure(e.Minutes.LogSD, "1", "log_sd", e.Minutes.Mark))
		}
		out = append(out, entry)
	}
	for _, e := range c.Events() {
		if seen[e.ID] {
			continue
		}
		text := ""
		if e.Bars {
			text = "the tooth may not be filled in this visit"
		}
		out = append(out, &vw.CatalogueEntry{Id: e.ID, Title: e.Name, Explanation: text, Figures: figuresBelow(c, "events."+e.ID+".")})
	}
	return out, nil
}

// needsOf is what a mark of the event must name.
func needsOf(e chairside.Event) []string {
	var out []string
	switch {
	case e.CanalEffect == chairside.EffectLocated:
		out = append(out, "new-canal")
	case e.NeedsCanal:
		out = append(out, "canal")
	}
	if e.NeedsThird {
		out = append(out, "third")
	}
	if e.NeedsPartner {
		out = append(out, "partner")
	}
	return out
}

// traitsOf is what the event does beyond its words.
func traitsOf(e chairside.Event) []string {
	out := []string{"marked"}
	for _, x := range []struct {
		id string
		is bool
	}{{"bars-filling", e.BarsFilling || e.Rule.Says == chairside.Forbids}, {"asks-consent", e.Consent != ""}, {"forces-stop", e.ForcesStop}, {"ends-treatment", e.EndsTreatment}} {
		if x.is {
			out = append(out, x.id)
		}
	}
	return out
}

func stopEntries(c *protocol.Catalogue) ([]*vw.CatalogueEntry, error) {
	var out []*vw.CatalogueEntry
	for _, s := range c.Stops() {
		out = append(out, &vw.CatalogueEntry{Id: s.ID, Title: s.Name, Explanation: s.Rule})
	}
	return out, nil
}

func medicamentEntries(c *protocol.Catalogue) ([]*vw.CatalogueEntry, error) {
	var out []*vw.CatalogueEntry
	for _, m := range c.Medicaments() {
		text := ""
		if len(m.Alerts) > 0 {
			text = "ruled out by " + strings.Join(m.Alerts, ", ")
		}
		out = append(out, &vw.CatalogueEntry{Id: m.ID, Title: m.Name, Explanation: text, Figures: figuresBelow(c, "materials.medicaments."+m.ID+".")})
	}
	return out, nil
}

func temporaryEntries(c *protocol.Catalogue) ([]*vw.CatalogueEntry, error) {
	var out []*vw.CatalogueEntry
	for _, t := range c.Temporaries() {
		out = append(out, &vw.CatalogueEntry{Id: t.ID, Title: t.Name, Figures: figuresBelow(c, "materials.temporaries."+t.ID+".")})
	}
	return out, nil
}

func protocolEntries(c *protocol.Catalogue) ([]*vw.CatalogueEntry, error) {
	var out []*vw.CatalogueEntry
	for _, p := range c.Protocols() {
		out = append(out, &vw.CatalogueEntry{Id: p.ID, Title: p.Name, Explanation: "for " + strings.Join(p.Diagnoses, ", "), Figures: figuresBelow(c, "protocols."+p.ID+".")})
	}
	return out, nil
}

// stageEntries lists the stages of every protocol; belongs_to is the protocol.
func stageEntries(c *protocol.Catalogue) ([]*vw.CatalogueEntry, error) {
	var out []*vw.CatalogueEntry
	for _, p := range c.Protocols() {
		for _, s := range p.Stages {
			out = append(out, &vw.CatalogueEntry{Id: s.ID, Title: s.Name, BelongsTo: p.ID})
		}
	}
	return out, nil
}

// figureEntries lists every figure by its path; belongs_to is its first part.
func figureEntries(c *protocol.Catalogue) ([]*vw.CatalogueEntry, error) {
	var out []*vw.CatalogueEntry
	for _, f := range c.Figures() {
		root, _, _ := strings.Cut(f.Path, ".")
		out = append(out, &vw.CatalogueEntry{Id: f.Path, Title: strings.ReplaceAll(f.Path, ".", ", "), BelongsTo: root,
			Figures: []*vw.Figure{figure(f.Value, unitToProto(f.Unit), f.Path, f.Mark)}})
	}
	return out, nil
}

func figuresBelow(c *protocol.Catalogue, prefix string) []*vw.Figure {
	var out []*vw.Figure
	for _, f := range c.Figures() {
		if rest, ok := strings.CutPrefix(f.Path, prefix); ok {
			out = append(out, figure(f.Value, unitToProto(f.Unit), rest, f.Mark))
		}
	}
	return out
}

// unitToProto shortens the units of the data files to those of the contract.
func unitToProto(unit string) string {
	switch unit {
	case "minutes":
		return "min"
	case "days":
		return "d"
	case "log-sd", "probability", "factor", "visits":
		return "1"
	}
	return unit
}
