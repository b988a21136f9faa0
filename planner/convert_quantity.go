package planner

import (
	"github.com/visitwright/visitwright/planner/chairtime"
	"github.com/visitwright/visitwright/planner/proposal"
	"github.com/visitwright/visitwright/planner/provenance"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

var kindsToProto = map[provenance.Kind]vw.Provenance_Kind{
	provenance.Published: vw.Provenance_KIND_PUBLISHED,
	provenance.Practice:  vw.Provenance_KIND_PRACTICE,
	provenance.Memory:    vw.Provenance_KIND_MEMORY,
	provenance.Assumed:   vw.Provenance_KIND_ASSUMED,
	provenance.Invented:  vw.Provenance_KIND_INVENTED,
	provenance.Local:     vw.Provenance_KIND_LOCAL,
}

// markToProto says where a figure comes from; nil when nothing is said.
func markToProto(m provenance.Mark) *vw.Provenance {
	if m == (provenance.Mark{}) {
		return nil
	}
	return &vw.Provenance{Kind: kindsToProto[m.Kind], Source: m.Source}
}

func markFromProto(p *vw.Provenance) provenance.Mark {
	for kind, is := range kindsToProto {
		if p != nil && is == p.GetKind() {
			return provenance.Mark{Kind: kind, Source: p.GetSource()}
		}
	}
	return provenance.Mark{Source: p.GetSource()}
}

// marksToProto lists marks, each once.
func marksToProto(marks []provenance.Mark) []*vw.Provenance {
	var out []*vw.Provenance
	seen := map[provenance.Mark]bool{}
	for _, m := range marks {
		if !seen[m] && m != (provenance.Mark{}) {
			seen[m] = true
			out = append(out, markToProto(m))
		}
	}
	return out
}

func oddsToProto(o proposal.Odds) *vw.Odds { return &vw.Odds{Probability: o.P, Words: o.Words} }

func oddsFromProto(o *vw.Odds) proposal.Odds {
	return proposal.Odds{P: o.GetProbability(), Words: o.GetWords()}
}

func oddsListToProto(odds []proposal.Odds) []*vw.Odds {
	var out []*vw.Odds
	for _, o := range odds {
		out = append(out, oddsToProto(o))
	}
	return out
}

func oddsListFromProto(odds []*vw.Odds) []proposal.Odds {
	out := []proposal.Odds{}
	for _, o := range odds {
		out = append(out, oddsFromProto(o))
	}
	return out
}

// quantiles are those that a distribution of minutes is summed up by.
var quantiles = []float64{0.1, 0.25, 0.5, 0.75, 0.8, 0.9, 0.95}

// distToProto shows a distribution of minutes with its summary and all cells;
// withoutCells takes the cells away for the basic view.
func distToProto(d chairtime.Dist) *vw.Distribution {
	if len(d.P) == 0 {
		return nil
	}
	out := &vw.Distribution{FirstMinute: int32(d.First), Probabilities: d.P, Mean: d.Mean(), StandardDeviation: d.SD(), LostTail: d.Lost}
	for _, q := range quantiles {
		out.Quantiles = append(out.Quantiles, &vw.Quantile{Probability: q, Minutes: d.Quantile(q)})
	}
	return out
}

func distFromProto(d *vw.Distribution) chairtime.Dist {
	return chairtime.Dist{First: int(d.GetFirstMinute()), P: d.GetProbabilities(), Lost: d.GetLostTail()}
}
