package proposal

import (
	"fmt"
	"slices"

	"github.com/visitwright/visitwright/planner/anaesthetic"
)

// AnaestheticUse is what the practice injects, and what the patient had today.
type AnaestheticUse struct {
	Profile     anaesthetic.Profile        `json:"profile,omitempty"`      // "": the lowest of all
	Solutions   []anaesthetic.Solution     `json:"solutions,omitempty"`    // none: lidocaine 2 % with epinephrine 1:100,000
	CartridgeML float64                    `json:"cartridge_ml,omitempty"` // of a solution that names none; 0: 1.8
	Own         map[string]anaesthetic.Own `json:"own,omitempty"`
	Given       []anaesthetic.Given        `json:"given,omitempty"` // today, all teeth
}

// defaultCartridge is the volume of the published tables, in mL.
const defaultCartridge = 1.8

// Anaesthetic is the day's limit with its arithmetic, over all teeth.
type Anaesthetic struct {
	Profile  anaesthetic.Profile `json:"profile"`
	NoNumber string              `json:"no_number,omitempty"` // why there is none
	Agents   []AgentLimit        `json:"agents"`
	Lines    []string            `json:"lines"` // as the sheet shows it
}

// AgentLimit is the limit of one solution.
type AgentLimit struct {
	Solution anaesthetic.Solution `json:"solution"`
	Result   anaesthetic.Result   `json:"result"`
}

func (u AnaestheticUse) solutions() []anaesthetic.Solution {
	out := slices.Clone(u.Solutions)
	if len(out) == 0 {
		out = []anaesthetic.Solution{{Agent: "lidocaine", Percent: 2, Vasoconstrictor: "epinephrine", Per: 100000}}
	}
	for i := range out {
		if out[i].CartridgeML == 0 {
			out[i].CartridgeML = u.CartridgeML
		}
		if out[i].CartridgeML == 0 {
			out[i].CartridgeML = defaultCartridge
		}
	}
	return out
}

// anaestheticLimit works out what this patient may have in one day. The limit
// is the patient's, not the tooth's: teeth that share a visit share it.
func anaestheticLimit(in Input) (Anaesthetic, error) {
	return AnaestheticLimit(in.Clinic.Anaesthetic, in.Patient)
}

// AnaestheticLimit is what a patient may have in one day, over all teeth, and
// what is left of it after what was given. Errors are *anaesthetic.InputError.
func AnaestheticLimit(u AnaestheticUse, p Patient) (Anaesthetic, error) {
	a := Anaesthetic{Profile: u.Profile, Agents: []AgentLimit{}, Lines: []string{}}
	if a.Profile == "" {
		a.Profile = anaesthetic.Lowest
	}
	var weight *float64
	if p.WeightKg > 0 {
		weight = &p.WeightKg
	}
	for _, s := range u.solutions() {
		r, err := anaesthetic.Limit(anaesthetic.Request{Profile: a.Profile, WeightKG: weight, Cardiac: slices.Contains(p.Alerts, "cardiac"), Next: s, Given: u.Given, Own: u.Own})
		if err != nil {
			return Anaesthetic{}, err
		}
		if r.NoNumber != "" {
			a.NoNumber = r.NoNumber
			a.Lines = append(a.Lines, "No number: "+r.NoNumber+".")
			break
		}
		a.Agents = append(a.Agents, AgentLimit{s, r})
		a.Lines = append(a.Lines, fmt.Sprintf("%s %g %%: at most %d whole cartridges of %g mL for the whole day, all teeth together (%s binds)", s.Agent, s.Percent, r.Cartridges, s.CartridgeML, r.Binding))
		for _, l := range r.Arithmetic {
			a.Lines = append(a.Lines, "  "+l.Text)
		}
		for _, l := range r.Cautions {
			if !slices.Contains(a.Lines, l.Text) {
				a.Lines = append(a.Lines, l.Text)
			}
		}
	}
	return a, nil
}
