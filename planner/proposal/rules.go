package proposal

import (
	"embed"
	"encoding/json"
	"fmt"
	"slices"
	"strings"
	"sync"

	"github.com/visitwright/visitwright/planner/protocol"
	"github.com/visitwright/visitwright/planner/provenance"
	"github.com/visitwright/visitwright/planner/tooth"
)

//go:embed data/*.json
var files embed.FS

// Rule is one entry of the catalogue of rules.
type Rule struct {
	ID       string          `json:"id"`
	When     []string        `json:"when"`  // facts that must all hold
	About    string          `json:"about"` // "one", "several" or "all" options
	Strength Strength        `json:"strength"`
	Text     string          `json:"text"`
	Kind     provenance.Kind `json:"kind"`
	Source   string          `json:"source"`
}

// Mark is where the rule comes from.
func (r Rule) Mark() provenance.Mark { return provenance.Mark{Kind: r.Kind, Source: r.Source} }

// Alert is an entry of the catalogue of alerts.
type Alert struct {
	ID     string `json:"id"`
	Text   string `json:"text"`
	Effect string `json:"effect"` // what it changes in a visit
}

// RedFlag is a question asked before any emergency appointment.
type RedFlag struct {
	ID       string `json:"id"`
	Question string `json:"question"`
}

// limit is one figure of data/limits.json.
type limit struct {
	V      *float64        `json:"v"`
	Kind   provenance.Kind `json:"kind"`
	Source string          `json:"source"`
}

type tables struct {
	rules  []Rule
	alerts []Alert
	flags  []RedFlag
	limits map[string]limit
}

var data = sync.OnceValues(func() (tables, error) {
	var t tables
	var alerts map[string]Alert
	for file, into := range map[string]any{"rules": &t.rules, "alerts": &alerts, "redflags": &t.flags, "limits": &t.limits} {
		b, err := files.ReadFile("data/" + file + ".json")
		if err != nil {
			return t, err
		}
		if err := json.Unmarshal(b, into); err != nil {
			return t, fmt.Errorf("data/%s.json: %w", file, err)
		}
	}
	for id, a := range alerts {
		a.ID = id
		t.alerts = append(t.alerts, a)
	}
	slices.SortFunc(t.alerts, func(a, b Alert) int { return strings.Compare(a.ID, b.ID) })
	return t, t.check()
})

func (t tables) check() error {
	facts := factNames()
	for _, r := range t.rules {
		if err := r.Mark().Validate(); err != nil {
			return fmt.Errorf("data/rules.json %s: %w", r.ID, err)
		}
		for _, w := range r.When {
			if !slices.Contains(facts, w) {
				return fmt.Errorf("data/rules.json %s: nobody sets the fact %q", r.ID, w)
			}
		}
		if !slices.Contains([]Strength{Forbids, AdvisesAgainst, Neutral, Favours}, r.Strength) || !slices.Contains([]string{"one", "several", "all"}, r.About) {
			return fmt.Errorf("data/rules.json %s: strength %q about %q", r.ID, r.Strength, r.About)
		}
	}
	for id, l := range t.limits {
		if l.V == nil {
			return fmt.Errorf("data/limits.json %s: the figure is missing", id)
		}
		if err := (provenance.Mark{Kind: l.Kind, Source: l.Source}).Validate(); err != nil {
			return fmt.Errorf("data/limits.json %s: %w", id, err)
		}
	}
	return nil
}

// Rules lists the catalogue of rules in the order in which they are shown.
func Rules() []Rule {
	t, _ := data()
	return slices.Clone(t.rules)
}

// Alerts lists the catalogue of alerts by id.
func Alerts() []Alert {
	t, _ := data()
	return slices.Clone(t.alerts)
}

// RedFlags lists the questions that come before any emergency appointment.
func RedFlags() []RedFlag {
	t, _ := data()
	return slices.Clone(t.flags)
}

// facts are what the rules ask for.
type facts map[string]bool

func factNames() []string {
	return []string{"always", "exudate", "swelling", "acute-abscess", "protocol-several", "not-restorable", "necrotic-symptomatic",
		"retreatment-lesion", "limited-opening", "cardiac", "partly-infected", "vital", "endocarditis-prophylaxis", "anticoagulant",
		"long-journey", "restore-same-day", "necrotic-no-lesion", "lesion", "lesion-or-necrotic", "sinus-tract", "pregnancy", "two-lower-blocks", "overdue"}
}

func (w *work) facts(leastVisits int) facts {
	in, t, d := w.in, w.tables, w.diagnosis
	infected := d.Pulp == protocol.Infected
	// The trials of one visit against several treated teeth with a closed apex.
	mature := !w.openApex()
	f := facts{
		"always":               true,
		"exudate":              in.Findings.Exudate,
		"swelling":             in.Findings.Swelling,
		"acute-abscess":        d.ID == "acute-abscess",
		"protocol-several":     leastVisits >= 2,
		"not-restorable":       in.Findings.NotRestorable,
		"necrotic-symptomatic": infected && !d.Filled && (d.ID == "necrotic-symptomatic" || (in.Findings.Pain && d.ID != "acute-abscess")),
		"retreatment-lesion":   d.Filled && d.Lesion,
		"limited-opening":      in.Patient.OpeningMM > 0 && in.Patient.OpeningMM < *t.limits["opening_mm"].V,
		"vital":                d.Pulp == protocol.Vital,
		"long-journey":         in.Findings.LongJourney,
		"restore-same-day":     in.Findings.RestoreSameDay,
		"necrotic-no-lesion":   infected && !d.Lesion && !d.Filled,
		"lesion":               mature && infected && d.Lesion && !d.Filled && d.ID != "acute-abscess",
		"lesion-or-necrotic":   mature && infected,
		"sinus-tract":          d.ID == "chronic-abscess",
		"overdue":              w.plan.Intake != nil && w.plan.Intake.Overdue,
	}
	for _, a := range in.Patient.Alerts {
		if slices.Contains(factNames(), a) {
			f[a] = true
		}
	}
	return f
}

// apply returns the rules that speak about an option, strongest first.
func (t tables) apply(f facts, oneVisit bool) []Reason {
	var out []Reason
	for _, r := range t.rules {
		if r.About == "one" && !oneVisit || r.About == "several" && oneVisit {
			continue
		}
		holds := true
		for _, w := range r.When {
			holds = holds && f[w]
		}
		if holds {
			out = append(out, Reason{Rule: r.ID, Strength: r.Strength, Text: r.Text, Mark: r.Mark()})
		}
	}
	slices.SortStableFunc(out, func(a, b Reason) int { return weight(a.Strength) - weight(b.Strength) })
	return out
}

func weight(s Strength) int {
	return slices.Index([]Strength{Forbids, AdvisesAgainst, Favours, Neutral}, s)
}

// strongest objection among reasons; Favours when something speaks for the
// option and nothing against it.
func strongest(reasons []Reason) Strength {
	s := Neutral
	for _, r := range reasons {
		switch {
		case r.Strength == Forbids:
			return Forbids
		case r.Strength == AdvisesAgainst:
			s = AdvisesAgainst
		case r.Strength == Favours && s == Neutral:
			s = Favours
		}
	}
	return s
}

// lowerBlock reports whether the tooth is numbed by a lower block.
func lowerBlock(c tooth.Code) bool {
	return c.Arch() == tooth.Lower && (c.Class() == tooth.Molar || c.Class() == tooth.Premolar)
}
