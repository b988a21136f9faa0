package anaesthetic

import (
	"math/big"
	"strings"

	"github.com/visitwright/visitwright/planner/provenance"
)

// Profile is a country's set of limits.
type Profile string

// The profiles.
const (
	// Lowest takes the lowest figure of all profiles, kept and conflicting rows
	// included. It is the default: countries differ by a factor of nearly two.
	Lowest    Profile = "lowest"
	USA       Profile = "usa"
	Canada    Profile = "canada"
	Australia Profile = "australia"
)

// Profiles lists the profiles, the default first.
func Profiles() []Profile { return []Profile{Lowest, USA, Canada, Australia} }

// Name in words.
func (p Profile) Name() string {
	switch p {
	case Lowest:
		return "lowest of all profiles"
	case USA:
		return "USA"
	case Canada:
		return "Canada"
	case Australia:
		return "Australia"
	}
	return ""
}

func (p Profile) valid() bool { return p.Name() != "" }

// Agent is a local anaesthetic of the catalogue.
type Agent struct {
	ID, Name string
	// Vasoconstrictor: "with", "without" or "either", as its limits are stated.
	Vasoconstrictor           string
	LeastPercent, MostPercent float64
}

// Agents lists the agents.
func Agents() []Agent {
	var out []Agent
	for _, a := range shipped().Agents {
		out = append(out, Agent(a))
	}
	return out
}

func agentIDs() string {
	var ids []string
	for _, a := range shipped().Agents {
		ids = append(ids, a.ID)
	}
	return strings.Join(ids, ", ")
}

// figure is one limit with its standing; value nil = none.
type figure struct {
	value *big.Rat
	mark  provenance.Mark
}

func (f *figure) lower(v *big.Rat, m provenance.Mark) {
	if v != nil && (f.value == nil || v.Cmp(f.value) < 0) {
		f.value, f.mark = v, m
	}
}

// drugLimit is what a profile says of an agent, with what else was said.
type drugLimit struct {
	perKG, most figure
	beside      []limitRow // conflicting and stricter rows of the profile
}

func (p Profile) limit(agent string) drugLimit {
	var d drugLimit
	for _, row := range shipped().limits {
		if row.agent != agent || p != Lowest && Profile(row.profile) != p {
			continue
		}
		if p == Lowest || row.use != kept {
			d.perKG.lower(row.perKG, row.mark)
			d.most.lower(row.most, row.mark)
		}
		if p != Lowest && row.use != used {
			d.beside = append(d.beside, row)
		}
	}
	return d
}

// Own is a practice's own limit of one agent, in place of the profile's.
type Own struct {
	MGPerKG float64 // 0 = none
	MostMG  float64 // 0 = none
	Source  string  // why, shown beside the figure
}

func (o Own) limit() drugLimit {
	var d drugLimit
	mark := provenance.Mark{Kind: provenance.Local, Source: o.Source}
	if o.MGPerKG > 0 {
		d.perKG = figure{exact(o.MGPerKG), mark}
	}
	if o.MostMG > 0 {
		d.most = figure{exact(o.MostMG), mark}
	}
	return d
}
