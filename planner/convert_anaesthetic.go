package planner

import (
	"errors"
	"fmt"
	"slices"

	"github.com/visitwright/visitwright/planner/anaesthetic"
	"github.com/visitwright/visitwright/planner/proposal"
	"github.com/visitwright/visitwright/planner/provenance"
	"github.com/visitwright/visitwright/proto/fault"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// usualCartridge is the volume of the published tables, in ml, for a practice
// that has said nothing.
const usualCartridge = 1.8

func solutionFromProto(s *vw.AnaestheticSolution, practiceML float64) anaesthetic.Solution {
	out := anaesthetic.Solution{Agent: s.GetAgent(), Percent: s.GetPercent(), CartridgeML: s.GetCartridgeMl(), Vasoconstrictor: s.GetVasoconstrictor(), Per: int(s.GetOneIn())}
	if out.CartridgeML == 0 {
		out.CartridgeML = practiceML
	}
	if out.CartridgeML == 0 {
		out.CartridgeML = usualCartridge
	}
	return out
}

func solutionToProto(s anaesthetic.Solution) *vw.AnaestheticSolution {
	return &vw.AnaestheticSolution{Agent: s.Agent, Percent: s.Percent, CartridgeMl: s.CartridgeML, Vasoconstrictor: s.Vasoconstrictor, OneIn: int32(s.Per)}
}

// checkAnaesthetic refuses a profile or a solution for which no limit can be
// worked out.
func checkAnaesthetic(v *vw.PracticeSettings) error {
	profile := anaesthetic.Profile(v.GetAnaestheticProfile())
	if profile != "" && !slices.Contains(anaesthetic.Profiles(), profile) {
		return unknownID("settings.anaesthetic_profile", "anaesthetic-profiles")
	}
	for i, s := range v.GetAnaesthetics() {
		if err := checkSolution(profile, s, v.GetCartridgeMl(), index("settings.anaesthetics", i)); err != nil {
			return err
		}
	}
	return nil
}

// checkSolution asks the limit itself whether it knows the solution; the
// weight does not matter for that.
func checkSolution(profile anaesthetic.Profile, s *vw.AnaestheticSolution, practiceML float64, at string) error {
	if !slices.ContainsFunc(anaesthetic.Agents(), func(a anaesthetic.Agent) bool { return a.ID == s.GetAgent() }) {
		return unknownID(at+".agent", "anaesthetics")
	}
	kg := 70.0
	_, err := anaesthetic.Limit(anaesthetic.Request{Profile: profile, WeightKG: &kg, Next: solutionFromProto(s, practiceML)})
	var input *anaesthetic.InputError
	if errors.As(err, &input) {
		return fault.Invalid(vw.ErrorReason_ERROR_REASON_IMPOSSIBLE_FIGURE, at, input.Want).Because(err)
	}
	return err
}

func anaestheticToProto(a proposal.Anaesthetic) *vw.AnaestheticLimit {
	out := &vw.AnaestheticLimit{Profile: string(a.Profile), NoNumberBecause: a.NoNumber, Lines: a.Lines}
	for _, agent := range a.Agents {
		r := agent.Result
		limit := &vw.AgentLimit{
			Solution: solutionToProto(agent.Solution), Text: solutionWords(agent.Solution), MostMg: r.MostMG, LeftMg: r.LeftMG,
			MostCartridges: int32(r.Cartridges), Binding: r.Binding, Exceeded: r.Exceeded,
		}
		var marks []provenance.Mark
		for _, b := range r.Bounds {
			limit.Bounds = append(limit.Bounds, &vw.AnaestheticBound{Kind: b.Kind, Mg: b.MG, Cartridges: int32(b.Cartridges), Provenance: markToProto(b.Mark)})
			marks = append(marks, b.Mark)
		}
		for _, l := range r.Arithmetic {
			limit.Arithmetic = append(limit.Arithmetic, l.Text)
			marks = append(marks, l.Mark)
		}
		for _, l := range r.Cautions {
			limit.Cautions = append(limit.Cautions, l.Text)
			marks = append(marks, l.Mark)
		}
		limit.Provenance = marksToProto(marks)
		out.Agents = append(out.Agents, limit)
	}
	return out
}

func solutionWords(s anaesthetic.Solution) string {
	name := s.Agent
	for _, a := range anaesthetic.Agents() {
		if a.ID == s.Agent {
			name = a.Name
		}
	}
	text := fmt.Sprintf("%s %g %%", name, s.Percent)
	if s.Per > 0 {
		text += fmt.Sprintf(" with %s 1:%s", s.Vasoconstrictor, anaesthetic.Thousands(s.Per))
	}
	return text + fmt.Sprintf(", cartridge of %g ml", s.CartridgeML)
}
