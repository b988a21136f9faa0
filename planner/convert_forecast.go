package planner

import (
	"fmt"

	"github.com/visitwright/visitwright/planner/anatomy"
	"github.com/visitwright/visitwright/planner/proposal"
	"github.com/visitwright/visitwright/planner/provenance"
	"github.com/visitwright/visitwright/planner/tooth"
	"github.com/visitwright/visitwright/planner/visits"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// evidenceFromProto reads the signs of the number of canals.
func evidenceFromProto(evidence []*vw.Evidence) ([]anatomy.Evidence, error) {
	var out []anatomy.Evidence
	for i, e := range evidence {
		sign := anatomy.Sign(e.GetSign())
		if !knownSign(sign) {
			return nil, unknownID(index("findings.evidence", i)+".sign", "evidence-signs")
		}
		out = append(out, anatomy.Evidence{Sign: sign, Absent: e.GetAbsent(), Count: int(e.GetCount())})
	}
	return out, nil
}

func knownSign(s anatomy.Sign) bool {
	for _, known := range anatomy.Signs() {
		if known == s {
			return true
		}
	}
	return false
}

func index(path string, i int) string { return fmt.Sprintf("%s[%d]", path, i) }

// forecastToProto shows how many canals to expect, and why; nil when the tooth
// is not yet identified.
func forecastToProto(code tooth.Code, b anatomy.Belief) (*vw.CanalForecast, error) {
	if !code.Valid() {
		return nil, nil
	}
	length, err := anatomy.WorkingLength(code.Kind())
	if err != nil {
		return nil, err
	}
	further := b.AtLeast(b.Expected + 1)
	out := &vw.CanalForecast{
		Counted: vw.CanalCountKind_CANAL_COUNT_KIND_CANALS_TO_TREAT, Shape: string(b.Shape), Located: int32(b.Located), Provenance: markToProto(b.Mark),
		Belief:                canalsToProto(visits.CanalBelief{P: b.P, Expected: b.Expected, Names: b.Names}),
		Prior:                 &vw.CanalBelief{Probabilities: b.Before},
		FurtherCanal:          oddsToProto(proposal.OddsOf(further, "of such teeth have a further canal")),
		ShortestWorkingLength: figure(length.SoftLow, "mm", "usual working length, shortest", length.Mark),
		LongestWorkingLength:  figure(length.SoftHigh, "mm", "usual working length, longest", length.Mark),
	}
	for _, l := range b.Lines {
		out.Lines = append(out.Lines, &vw.ForecastLine{Text: l.Text, Provenance: markToProto(l.Mark)})
	}
	for _, s := range anatomy.Shapes(code.Kind()) {
		out.Anatomy = append(out.Anatomy, &vw.AnatomyOdds{Kind: string(s.Shape), Odds: oddsToProto(proposal.OddsOf(s.Share, "of such teeth have it")), Provenance: markToProto(s.Mark)})
	}
	return out, nil
}

func forecastFromProto(f *vw.CanalForecast) anatomy.Belief {
	b := canalsFromProto(f.GetBelief())
	return anatomy.Belief{Shape: anatomy.Shape(f.GetShape()), Count: anatomy.CanalsToTreat, P: b.P, Before: f.GetPrior().GetProbabilities(),
		Expected: b.Expected, Names: b.Names, Located: int(f.GetLocated()), Mark: markFromProto(f.GetProvenance())}
}

func figure(value float64, unit, meaning string, m provenance.Mark) *vw.Figure {
	return &vw.Figure{Value: value, Unit: unit, Meaning: meaning, Provenance: markToProto(m)}
}
