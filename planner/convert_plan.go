package planner

import (
	"fmt"

	"github.com/visitwright/visitwright/planner/proposal"
	"github.com/visitwright/visitwright/planner/visits"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

var stancesToProto = map[proposal.Strength]vw.Reason_Stance{
	proposal.Forbids:        vw.Reason_STANCE_FORBIDS,
	proposal.AdvisesAgainst: vw.Reason_STANCE_ADVISES_AGAINST,
	proposal.Neutral:        vw.Reason_STANCE_NEUTRAL,
	proposal.Favours:        vw.Reason_STANCE_FAVOURS,
}

// planToProto is a plan in full: its message alone is enough to simulate every
// option again. Name, revision, state, assessment and actor are added by the
// handler.
func planToProto(p proposal.Plan) *vw.Plan {
	out := &vw.Plan{
		Protocol: p.Protocol, Title: p.Title, RecommendedOption: p.Recommended, Recommendation: p.Recommendation,
		Versions: &vw.PlanVersions{Model: p.Versions.Model, Data: p.Versions.Data, Calibration: p.Versions.Calibration},
		Intake:   windowToProto(p.Intake, "today", ""), Workings: workingsToProto(p),
	}
	for _, o := range p.Options {
		out.Options = append(out.Options, optionToProto(o))
	}
	for _, f := range p.Further {
		further := &vw.FurtherCanal{Canals: int32(f.Canals), Canal: f.Name, CanalWords: f.Words, Odds: oddsToProto(f.Odds), FurtherMinutes: f.Minutes,
			CompleteBy: oddsListToProto(f.Complete), Text: f.Text}
		for _, l := range f.Lengths {
			further.AppointmentMinutes = append(further.AppointmentMinutes, int32(l))
		}
		out.FurtherCanals = append(out.FurtherCanals, further)
	}
	for _, s := range p.Stops {
		out.Stops = append(out.Stops, &vw.PlanStop{Id: s.ID, Title: s.Name, Allowed: s.Allowed, Odds: oddsToProto(s.Odds),
			ReturnWindow: windowToProto(s.Window, "end-of-visit", s.ID), Text: s.Text})
	}
	out.Cautions = cautionsToProto(p.Cautions)
	return out
}

func cautionsToProto(cautions []proposal.Caution) []*vw.Caution {
	var out []*vw.Caution
	for _, c := range cautions {
		out = append(out, &vw.Caution{Id: c.ID, Text: c.Text, Provenance: markToProto(c.Mark)})
	}
	return out
}

func reasonsToProto(reasons []proposal.Reason) []*vw.Reason {
	var out []*vw.Reason
	for _, r := range reasons {
		out = append(out, &vw.Reason{Rule: r.Rule, Stance: stancesToProto[r.Strength], Text: r.Text, Provenance: markToProto(r.Mark)})
	}
	return out
}

func optionToProto(o proposal.Option) *vw.TreatmentOption {
	out := &vw.TreatmentOption{
		Id: o.ID, Title: o.Title, EarliestFillingVisit: int32(o.Earliest), Feasible: o.Feasible, InfeasibleBecause: o.Because,
		Strength: stancesToProto[o.Strength], Reasons: reasonsToProto(o.Reasons), CompleteBy: oddsListToProto(o.Complete),
		Unfinished: o.Unfinished, ExpectedVisits: o.ExpectedVisits, TotalMinutes: distToProto(o.Minutes), ExpectedCost: o.Cost,
	}
	for i, v := range o.Visits {
		visit := &vw.PlannedVisit{
			Number: int32(v.Number), Kind: v.Kind, Aim: v.Aim, AppointmentMinutes: int32(v.Length), OnTime: oddsToProto(v.OnTime), Needed: oddsToProto(v.Needed),
			ChairMinutes: distToProto(v.Minutes), ExpectedOverrunMinutes: v.Overrun, ExpectedIdleMinutes: v.Idle,
			LongerThanTolerance: v.TooLong,
			ReturnWindow:        windowToProto(v.Window, fmt.Sprintf("visit-%d", v.Number-1), v.From),
		}
		if o.Result != nil && i < len(o.Result.Visits) {
			solved := o.Result.Visits[i]
			visit.BookedAhead = solved.BookedAhead
			for _, e := range solved.Ends {
				visit.Ends = append(visit.Ends, &vw.VisitEnd{Stop: e.Stop, CanalsFound: int32(e.State.Found), State: stateToProto(e.State),
					Odds: oddsToProto(proposal.OddsOf(e.Odds, "end here"))})
			}
		}
		// Overrun and idle are given that the visit happens.
		out.ExpectedOverrunMinutes += v.Overrun * v.Needed.P
		out.ExpectedIdleMinutes += v.Idle * v.Needed.P
		out.Visits = append(out.Visits, visit)
	}
	return out
}

// workingsToProto is the model, the tables and how each figure came about.
func workingsToProto(p proposal.Plan) *vw.PlanWorkings {
	out := &vw.PlanWorkings{}
	var common *visits.Model
	if o, ok := p.Option(p.Recommended); ok {
		common = o.Model
	}
	for _, o := range p.Options {
		if common == nil {
			common = o.Model
		}
	}
	if common != nil {
		out.Model = modelToProto(*common)
	}
	for _, o := range p.Options {
		if o.Result == nil {
			continue
		}
		r := *o.Result
		w := &vw.OptionWorkings{
			Option: o.ID, EarliestFillingVisit: int32(r.Option.EarliestCompletion), BookedAhead: int32(r.Option.BookedAhead), Policy: policyToProto(r.Table),
			Cost:      &vw.CostParts{Work: r.Parts.Work, Overrun: r.Parts.Overrun, Idle: r.Parts.Idle, Visits: r.Parts.Visits, Unused: r.Parts.Unused, Unfinished: r.Parts.Unfinished},
			CostMicro: r.CostMicro, ExpectedUnused: r.ExpectedUnused, Precision: precisionToProto(r.Numbers),
		}
		if r.Option.Bear != nil {
			w.Tolerance = &vw.Tolerance{Minutes: int32(r.Option.Bear.Minutes), Chance: r.Option.Bear.Chance}
		}
		for _, l := range r.Option.Lengths {
			w.FixedLengths = append(w.FixedLengths, int32(l))
		}
		for _, l := range r.Lengths {
			w.Lengths = append(w.Lengths, &vw.StateLength{Visit: int32(l.Visit), Begin: stateToProto(l.Begin), Minutes: int32(l.Minutes)})
		}
		for _, c := range r.Canals {
			w.Canals = append(w.Canals, &vw.CanalOutcome{Found: int32(c.Found), Odds: oddsToProto(proposal.OddsOf(c.Odds, "of such teeth end with so many canals")),
				OneVisitMinutes: distToProto(c.OneGo), CompleteBy: c.Complete})
		}
		if o.Model != nil && common != nil && !sameModel(*o.Model, *common) {
			w.Model = modelToProto(*o.Model)
		}
		out.Options = append(out.Options, w)
	}
	for _, l := range p.Trace.Lines {
		line := &vw.TraceLine{Subject: l.Path, Text: l.String(), Value: l.Value, Provenance: markToProto(l.Base.Mark)}
		for _, t := range l.Times {
			line.Factors = append(line.Factors, figure(t.Figure.Value, "1", t.What, t.Figure.Mark))
		}
		out.Trace = append(out.Trace, line)
	}
	return out
}

func precisionToProto(n visits.Numbers) *vw.Precision {
	return &vw.Precision{
		CaseNodes: int32(n.CaseNodes), VisitNodes: int32(n.VisitNodes), DecideCaseNodes: int32(n.DecideCaseNodes), DecideVisitNodes: int32(n.DecideVisitNodes),
		Sweeps: int32(n.Sweeps), Lost: n.Lost,
	}
}
