package planner

import (
	"google.golang.org/protobuf/proto"

	"github.com/visitwright/visitwright/planner/visits"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// medianOne names what the shared factors of every model keep (visits.Model).
const medianOne = "median-one"

// modelToProto and modelFromProto carry the complete model, so that anybody
// can simulate a plan again from its message alone. They are exact: no figure
// is rounded.
func modelToProto(m visits.Model) *vw.TreatmentModel {
	out := &vw.TreatmentModel{
		Protocol: m.Protocol, Tooth: m.Tooth, Canals: canalsToProto(m.Canals),
		Factor: &vw.FactorSpread{CaseLogSd: m.Factor.CaseLogSD, VisitLogSd: m.Factor.VisitLogSD, Convention: medianOne},
		Begin:  stateToProto(m.Begin), Start: blockToProto(m.Start), Cost: costToProto(m.Cost), Grid: gridToProto(m.Grid),
		Tolerance: toleranceToProto(m.Bear), Horizon: int32(m.Horizon), CapMinutes: int32(m.Cap), Clock: m.Clock,
	}
	if m.Begin == (visits.State{}) {
		out.Begin = nil // a tooth not yet opened
	}
	for _, s := range m.Stages {
		out.Stages = append(out.Stages, &vw.Stage{Id: s.ID, Locates: s.Locates, Work: blockToProto(s.Work), Discovery: s.Discovery,
			StopAfterCanal: s.StopAfterCanal, Fills: s.Fills, Gate: gateToProto(s.Gate)})
	}
	for _, s := range m.Stops {
		out.Stops = append(out.Stops, &vw.Stop{Id: s.ID, Allowed: s.Allowed, End: blockToProto(s.End), Resume: blockToProto(s.Resume)})
	}
	return out
}

func modelFromProto(m *vw.TreatmentModel) visits.Model {
	out := visits.Model{
		Protocol: m.GetProtocol(), Tooth: m.GetTooth(), Canals: canalsFromProto(m.GetCanals()),
		Factor: visits.Factor{CaseLogSD: m.GetFactor().GetCaseLogSd(), VisitLogSD: m.GetFactor().GetVisitLogSd()},
		Begin:  stateFromProto(m.GetBegin()), Start: blockFromProto(m.GetStart()), Cost: costFromProto(m.GetCost()), Grid: gridFromProto(m.GetGrid()),
		Bear: toleranceFromProto(m.GetTolerance()), Horizon: int(m.GetHorizon()), Cap: int(m.GetCapMinutes()), Clock: m.GetClock(),
	}
	for _, s := range m.GetStages() {
		out.Stages = append(out.Stages, visits.Stage{ID: s.GetId(), Locates: s.GetLocates(), Work: blockFromProto(s.GetWork()), Discovery: s.GetDiscovery(),
			StopAfterCanal: s.GetStopAfterCanal(), Fills: s.GetFills(), Gate: gateFromProto(s.GetGate())})
	}
	for _, s := range m.GetStops() {
		out.Stops = append(out.Stops, visits.Stop{ID: s.GetId(), Allowed: s.GetAllowed(), End: blockFromProto(s.GetEnd()), Resume: blockFromProto(s.GetResume())})
	}
	return out
}

func canalsToProto(b visits.CanalBelief) *vw.CanalBelief {
	return &vw.CanalBelief{Probabilities: b.P, Expected: int32(b.Expected), CanalNames: b.Names}
}

func canalsFromProto(b *vw.CanalBelief) visits.CanalBelief {
	return visits.CanalBelief{P: b.GetProbabilities(), Expected: int(b.GetExpected()), Names: b.GetCanalNames()}
}

func stateToProto(s visits.State) *vw.TreatmentState {
	return &vw.TreatmentState{StagesDone: int32(s.Stage), CanalsDone: int32(s.Canal), CanalsFound: int32(s.Found)}
}

func stateFromProto(s *vw.TreatmentState) visits.State {
	return visits.State{Stage: int(s.GetStagesDone()), Canal: int(s.GetCanalsDone()), Found: int(s.GetCanalsFound())}
}

func minutesToProto(m visits.Minutes) *vw.Minutes {
	return &vw.Minutes{Median: m.Median, LogSd: m.LogSD, Scaled: m.Scaled}
}

func minutesFromProto(m *vw.Minutes) visits.Minutes {
	return visits.Minutes{Median: m.GetMedian(), LogSD: m.GetLogSd(), Scaled: m.GetScaled()}
}

func gateToProto(g *visits.Gate) *vw.Gate {
	if g == nil {
		return nil
	}
	return &vw.Gate{FirstVisit: g.FirstVisit, AfterDress: g.AfterDress, Check: minutesToProto(g.Check)}
}

func gateFromProto(g *vw.Gate) *visits.Gate {
	if g == nil {
		return nil
	}
	return &visits.Gate{FirstVisit: g.GetFirstVisit(), AfterDress: g.GetAfterDress(), Check: minutesFromProto(g.GetCheck())}
}

func blockToProto(b visits.Block) *vw.Block {
	out := &vw.Block{ContactMinutes: b.Contact, Overlaps: b.Overlaps}
	for _, s := range b.Once {
		out.Once = append(out.Once, &vw.Step{Id: s.ID, Minutes: minutesToProto(s.Minutes)})
	}
	for _, s := range b.PerCanal {
		out.PerCanal = append(out.PerCanal, &vw.CanalStep{Id: s.ID, Medians: s.Medians, LogSd: s.LogSD, Scaled: s.Scaled})
	}
	for _, e := range b.Events {
		out.Events = append(out.Events, &vw.Event{Id: e.ID, PerCanal: e.PerCanal, Probability: e.Probability, Minutes: minutesToProto(e.Minutes), BarsFilling: e.BarsFilling})
	}
	return out
}

// blockFromProto leaves empty lists empty and not nil, as the compiler of
// protocols does, so that a model shows no nulls in JSON.
func blockFromProto(b *vw.Block) visits.Block {
	out := visits.Block{Once: []visits.Step{}, PerCanal: []visits.CanalStep{}, Events: []visits.Event{}, Contact: b.GetContactMinutes(), Overlaps: []string{}}
	out.Overlaps = append(out.Overlaps, b.GetOverlaps()...)
	for _, s := range b.GetOnce() {
		out.Once = append(out.Once, visits.Step{ID: s.GetId(), Minutes: minutesFromProto(s.GetMinutes())})
	}
	for _, s := range b.GetPerCanal() {
		out.PerCanal = append(out.PerCanal, visits.CanalStep{ID: s.GetId(), Medians: s.GetMedians(), LogSD: s.GetLogSd(), Scaled: s.GetScaled()})
	}
	for _, e := range b.GetEvents() {
		out.Events = append(out.Events, visits.Event{ID: e.GetId(), PerCanal: e.GetPerCanal(), Probability: e.GetProbability(), Minutes: minutesFromProto(e.GetMinutes()), BarsFilling: e.GetBarsFilling()})
	}
	return out
}

// sameModel reports whether two models say the same.
func sameModel(a, b visits.Model) bool { return proto.Equal(modelToProto(a), modelToProto(b)) }
