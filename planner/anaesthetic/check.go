package anaesthetic

import (
	"fmt"
	"sort"
	"strconv"
)

// check refuses what cannot be meant. Numbers out of bounds are named, never
// bent into range: a wrong weight is a wrong dose.
func (q Request) check() error {
	if !q.Profile.valid() {
		return &InputError{"profile", quoted(string(q.Profile)) + " is not known", fmt.Sprint(Profiles())}
	}
	b := shipped().Bounds
	if w := q.WeightKG; w != nil && (!usable(*w) || *w < b.LeastWeightKG || *w > b.MostWeightKG) {
		return &InputError{"weight_kg", plain(*w) + " kg cannot be a patient's weight", fmt.Sprintf("%s to %s kg, or no weight", plain(b.LeastWeightKG), plain(b.MostWeightKG))}
	}
	if err := q.Next.check("next"); err != nil {
		return err
	}
	for i, g := range q.Given {
		field := fmt.Sprintf("given[%d]", i)
		if err := g.check(field); err != nil {
			return err
		}
		if !usable(g.Cartridges) || g.Cartridges < 0 || g.Cartridges > b.MostCartridgesGiven {
			return &InputError{field + ".cartridges", plain(g.Cartridges) + " cannot have been given", "0 to " + plain(b.MostCartridgesGiven)}
		}
	}
	agents := make([]string, 0, len(q.Own))
	for agent := range q.Own {
		agents = append(agents, agent)
	}
	sort.Strings(agents)
	for _, agent := range agents {
		if err := q.Own[agent].check(agent); err != nil {
			return err
		}
	}
	return nil
}

func (o Own) check(agent string) error {
	field := "own[" + quoted(agent) + "]"
	switch _, known := shipped().agent(agent); {
	case !known:
		return &InputError{field, "the agent is not known", "one of " + agentIDs()}
	case !usable(o.MGPerKG) || !usable(o.MostMG) || o.MGPerKG < 0 || o.MostMG < 0:
		return &InputError{field, "a limit is below 0", "mg/kg and mg above 0, or 0 for none"}
	case o.MGPerKG == 0 && o.MostMG == 0:
		return &InputError{field, "it has no limit", "a limit by weight or an absolute one"}
	case o.Source == "":
		return &InputError{field, "it says not where it comes from", "a source"}
	}
	return nil
}

func (s Solution) check(field string) error {
	a, ok := shipped().agent(s.Agent)
	if !ok {
		return &InputError{field + ".agent", quoted(s.Agent) + " is not known", "one of " + agentIDs()}
	}
	if !usable(s.Percent) || s.Percent < a.LeastPercent || s.Percent > a.MostPercent {
		return &InputError{field + ".percent", plain(s.Percent) + " % is no strength of " + a.Name, plain(a.LeastPercent) + " to " + plain(a.MostPercent) + " %"}
	}
	b := shipped().Bounds
	if !usable(s.CartridgeML) || s.CartridgeML < b.LeastCartridgeML || s.CartridgeML > b.MostCartridgeML {
		return &InputError{field + ".cartridge_ml", plain(s.CartridgeML) + " mL is no cartridge", plain(b.LeastCartridgeML) + " to " + plain(b.MostCartridgeML) + " mL"}
	}
	v, ok := shipped().vasoconstrictor(s.Vasoconstrictor)
	if !ok {
		return &InputError{field + ".vasoconstrictor", quoted(s.Vasoconstrictor) + " is not known", "none, epinephrine or other"}
	}
	plainSolution := v.ID == "none"
	if plainSolution && s.Per != 0 {
		return &InputError{field + ".per", "a concentration without a vasoconstrictor", "0, or the vasoconstrictor"}
	}
	if !plainSolution && (s.Per < v.LeastPer || s.Per > v.MostPer) {
		return &InputError{field + ".per", fmt.Sprintf("1:%d is no concentration of %s", s.Per, v.Name), fmt.Sprintf("1:%s to 1:%s", Thousands(v.LeastPer), Thousands(v.MostPer))}
	}
	// A limit stated for one form says nothing of the other: plain lidocaine is
	// not lidocaine with epinephrine.
	if a.Vasoconstrictor == "with" && plainSolution || a.Vasoconstrictor == "without" && !plainSolution {
		return &InputError{field + ".vasoconstrictor", "the limits at hand of " + a.Name + " are stated " + a.Vasoconstrictor + " a vasoconstrictor", "another agent, or the local code"}
	}
	return nil
}

func plain(v float64) string { return strconv.FormatFloat(v, 'f', -1, 64) }

// quoted keeps a mistyped sentence out of an error.
func quoted(s string) string {
	const most = 32
	if len(s) > most {
		s = s[:most] + "..."
	}
	return strconv.Quote(s)
}
