package planner

import (
	"github.com/visitwright/visitwright/planner/difficulty"
	"github.com/visitwright/visitwright/planner/proposal"
	"github.com/visitwright/visitwright/planner/protocol"
	"github.com/visitwright/visitwright/planner/visits"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// planFromProto reads back of a kept plan what a visit sheet is written from,
// so that a sheet shows the figures that were kept and computes none anew.
func planFromProto(p *vw.Plan) proposal.Plan {
	out := proposal.Plan{
		Tooth: p.GetTooth().GetIso(), ToothLabel: toothLabel(p.GetTooth()), Protocol: p.GetProtocol(), Title: p.GetTitle(),
		Difficulty:  difficulty.Result{Level: levelFromProto(p.GetAssessment().GetDifficulty().GetLevel())},
		Canals:      forecastFromProto(p.GetAssessment().GetCanals()),
		Recommended: p.GetRecommendedOption(), Recommendation: p.GetRecommendation(), Cautions: cautionsFromProto(p.GetCautions()),
		Trace:    traceFromProto(p.GetWorkings().GetTrace()),
		Versions: proposal.Versions{Model: p.GetVersions().GetModel(), Data: p.GetVersions().GetData(), Calibration: p.GetVersions().GetCalibration()},
	}
	for _, o := range p.GetOptions() {
		out.Options = append(out.Options, optionFromProto(o, p.GetWorkings()))
	}
	return out
}

// toothLabel is a tooth as a screen must show it: its notation and its words.
func toothLabel(t *vw.Tooth) string {
	if t == nil {
		return ""
	}
	return t.GetShown() + ", " + t.GetWords()
}

func cautionsFromProto(cautions []*vw.Caution) []proposal.Caution {
	out := []proposal.Caution{}
	for _, c := range cautions {
		out = append(out, proposal.Caution{ID: c.GetId(), Text: c.GetText(), Mark: markFromProto(c.GetProvenance())})
	}
	return out
}

func reasonsFromProto(reasons []*vw.Reason) []proposal.Reason {
	out := []proposal.Reason{}
	for _, r := range reasons {
		out = append(out, proposal.Reason{Rule: r.GetRule(), Strength: inverseStance(r.GetStance()), Text: r.GetText(), Mark: markFromProto(r.GetProvenance())})
	}
	return out
}

func inverseStance(s vw.Reason_Stance) proposal.Strength {
	for strength, is := range stancesToProto {
		if is == s {
			return strength
		}
	}
	return ""
}

func traceFromProto(lines []*vw.TraceLine) protocol.Trace {
	var out protocol.Trace
	for _, l := range lines {
		line := protocol.Line{Path: l.GetSubject(), Value: l.GetValue(), Base: protocol.Figure{Mark: markFromProto(l.GetProvenance())}}
		for _, f := range l.GetFactors() {
			line.Times = append(line.Times, protocol.Applied{What: f.GetMeaning(), Figure: protocol.Figure{Value: f.GetValue(), Mark: markFromProto(f.GetProvenance())}})
		}
		out.Lines = append(out.Lines, line)
	}
	return out
}

func optionFromProto(o *vw.TreatmentOption, workings *vw.PlanWorkings) proposal.Option {
	out := proposal.Option{
		ID: o.GetId(), Title: o.GetTitle(), Earliest: int(o.GetEarliestFillingVisit()), Strength: inverseStance(o.GetStrength()), Feasible: o.GetFeasible(),
		Because: o.GetInfeasibleBecause(), Reasons: reasonsFromProto(o.GetReasons()), Visits: []proposal.Visit{}, Complete: oddsListFromProto(o.GetCompleteBy()),
		Unfinished: o.GetUnfinished(), ExpectedVisits: o.GetExpectedVisits(), Minutes: distFromProto(o.GetTotalMinutes()), Cost: o.GetExpectedCost(),
	}
	result := &visits.Result{}
	for _, v := range o.GetVisits() {
		visit := proposal.Visit{
			Number: int(v.GetNumber()), Kind: v.GetKind(), Aim: v.GetAim(), Length: int(v.GetAppointmentMinutes()), OnTime: oddsFromProto(v.GetOnTime()),
			Needed: oddsFromProto(v.GetNeeded()), Minutes: distFromProto(v.GetChairMinutes()), Overrun: v.GetExpectedOverrunMinutes(), Idle: v.GetExpectedIdleMinutes(),
			From: v.GetReturnWindow().GetFromStop(),
		}
		out.Visits = append(out.Visits, visit)
		solved := visits.Visit{Number: visit.Number, Length: visit.Length, Minutes: visit.Minutes, Happens: visit.Needed.P, BookedAhead: v.GetBookedAhead()}
		for _, e := range v.GetEnds() {
			solved.Ends = append(solved.Ends, visits.End{State: stateFromProto(e.GetState()), Stop: e.GetStop(), Odds: e.GetOdds().GetProbability()})
		}
		result.Visits = append(result.Visits, solved)
	}
	for _, w := range workings.GetOptions() {
		if w.GetOption() != o.GetId() {
			continue
		}
		model := workings.GetModel()
		if w.GetModel() != nil {
			model = w.GetModel()
		}
		m := modelFromProto(model)
		result.Table = policyFromProto(w.GetPolicy())
		out.Model, out.Result = &m, result
	}
	return out
}
