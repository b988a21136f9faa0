package chairside

import (
	"slices"

	"github.com/visitwright/visitwright/planner/visits"
)

// Parts of a visit that are no stage of its plan.
const (
	Opening = "opening"
	Closed  = "closed"
)

// Part is a piece of a visit as people mark it: its opening, one stage, or its
// closing.
type Part struct {
	Stage string // id of the stage, or Opening or Closed
	Done  bool
	Steps []PartStep
}

// PartStep is one step that a mark can name.
type PartStep struct {
	Step, Canal string
	Done        bool
}

// Order is what the visit consists of from here on and so far, in the order in
// which it usually runs. Stages that earlier visits completed are left out; a
// canal that was given up takes no step.
func (p Plan) Order(v Visit) []Part {
	if len(p.Model.Stages) == 0 || len(p.Model.Stops) <= len(p.Model.Stages) {
		return nil
	}
	done := map[work]bool{}
	for _, w := range v.Work {
		done[work{w.Step, w.Canal}] = true
	}
	opening := []visits.Block{p.Model.Start}
	if p.Begin != (visits.State{}) {
		opening = append(opening, p.Model.Stops[min(p.Begin.Stage, len(p.Model.Stops)-1)].Resume)
	}
	first := p.part(Opening, notAStage, opening, v, done)
	first.Done = first.Done || v.Opened
	out := []Part{first}
	for i, stage := range p.Model.Stages {
		part := p.part(stage.ID, i, []visits.Block{stage.Work}, v, done)
		if i < p.Begin.Stage && part.Done {
			continue
		}
		out = append(out, part)
	}
	closing := p.Model.Stops[min(v.State.Stage, len(p.Model.Stops)-1)].End
	out = append(out, p.part(Closed, notAStage, []visits.Block{closing}, v, done))
	return slices.DeleteFunc(out, func(x Part) bool { return len(x.Steps) == 0 })
}

const notAStage = -1

// part lists the steps of blocks.
func (p Plan) part(id string, stage int, blocks []visits.Block, v Visit, done map[work]bool) Part {
	out := Part{Stage: id, Done: true}
	add := func(step, canal string, before bool) {
		x := PartStep{Step: step, Canal: canal, Done: before || done[work{step, canal}]}
		out.Steps = append(out.Steps, x)
		out.Done = out.Done && x.Done
	}
	// What is done once was done in the visit that passed or began the stage.
	before := stage >= 0 && (stage < p.Begin.Stage || stage == p.Begin.Stage && p.Begin.Canal > 0)
	for _, b := range blocks {
		for _, x := range b.Once {
			add(x.ID, "", before)
		}
		for _, x := range b.PerCanal {
			for rank, c := range v.Canals {
				// Before the first search every canal is one that is expected.
				if hand := c.inHand() || (c.State == Expected && stage >= 0); !hand || rank >= len(x.Medians) {
					continue
				}
				// A canal found late was located by being found.
				found := stage >= 0 && p.Model.Stages[stage].Locates && stage < v.State.Stage && c.inHand()
				add(x.ID, c.Name, found || stage >= 0 && p.doneBefore(stage, c.Name))
			}
		}
	}
	return out
}
