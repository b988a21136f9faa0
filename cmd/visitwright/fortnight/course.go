package fortnight

import (
	"fmt"
	"math"
	"slices"
	"time"

	"github.com/google/uuid"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// course is how a visit goes: what is marked when.
type course struct {
	t     *tooth
	scene scene
	begin time.Time

	// pace is what the plan's scaled minutes are multiplied by here; what the plan
	// has learned of this practice is taken out of them first.
	pace float64

	minutes float64 // since the beginning, so far
	marks   []*vw.ChairMark
	canals  []string          // in hand, in the order of work
	late    map[string]bool   // found after the others, so that earlier steps are caught up
	decided map[string]string // by canal, of what happened in it
	done    map[string]bool   // steps on canals
	ranks   []string          // canals in the order of the model
}

// course works out the course of a visit from the model of its plan: every step
// takes its median, times the pace of the visit, times a little chance.
func (p *player) course(t *tooth, s scene, v *vw.ChairVisit) *course {
	m := t.model()
	c := &course{t: t, scene: s, begin: v.GetBeginTime().AsTime(), late: map[string]bool{}, decided: map[string]string{}, done: map[string]bool{}, ranks: m.GetCanals().GetCanalNames()}
	c.pace = 1
	if s.Pace > 0 {
		c.pace = s.Pace
	}
	if learned := t.plan.GetPace().GetSpeed(); learned > 0 {
		c.pace /= learned
	}
	f := m.GetFactor() // minutes are reckoned at their mean over teeth and days
	c.pace *= math.Exp((f.GetCaseLogSd()*f.GetCaseLogSd() + f.GetVisitLogSd()*f.GetVisitLogSd()) / 2)
	for _, x := range v.GetCanals() {
		if x.GetState() != "given-up" {
			c.canals = append(c.canals, x.GetCanal())
		}
	}
	at := int(v.GetState().GetStagesDone())
	c.once(m.GetStart())
	if at > 0 {
		c.block(m.GetStops()[at].GetResume())
	}
	for ; at < len(m.GetStages()); at++ {
		if m.GetStops()[at].GetId() == s.Until {
			if s.Canals > 0 {
				c.stage(m, at, s.Canals)
			}
			break
		}
		c.stage(m, at, len(c.ranks))
	}
	for _, x := range m.GetStops()[at].GetEnd().GetOnce() {
		c.minutes += c.takes(x.GetId(), "", x.GetMinutes())
	}
	return c
}

// stage does one stage on so many canals, those found on the way included.
func (c *course) stage(m *vw.TreatmentModel, index, canals int) {
	stage := m.GetStages()[index]
	if stage.GetFills() {
		yes := proto.Bool(true)
		c.mark(&vw.ChairMark{What: &vw.ChairMark_Check{Check: &vw.CheckMark{Dry: yes, Quiet: yes, ToLength: yes, Irrigation: yes, Numb: yes, Covered: yes}}})
	}
	c.once(stage.GetWork())
	if stage.GetLocates() && len(stage.GetWork().GetPerCanal()) > 0 {
		// All orifices are looked for before anything else is done to a canal.
		for _, canal := range c.canals {
			c.onCanal(stage.GetWork().GetPerCanal()[0], canal)
		}
	}
	for i := 0; i < len(c.canals) && i < canals; i++ {
		canal := c.canals[i]
		for _, s := range m.GetStages()[:index+1] {
			if s != stage && !c.late[canal] {
				continue
			}
			for _, x := range s.GetWork().GetPerCanal() {
				c.onCanal(x, canal)
			}
		}
	}
	c.happen(stage.GetId())
}

func (c *course) once(b *vw.Block) {
	for _, x := range b.GetOnce() {
		c.minutes += c.takes(x.GetId(), "", x.GetMinutes())
		c.step(x.GetId(), "")
	}
}

func (c *course) block(b *vw.Block) {
	c.once(b)
	for _, canal := range slices.Clone(c.canals) {
		for _, x := range b.GetPerCanal() {
			c.onCanal(x, canal)
		}
	}
}

func (c *course) onCanal(x *vw.CanalStep, canal string) {
	if c.done[x.GetId()+" "+canal] {
		return
	}
	c.done[x.GetId()+" "+canal] = true
	rank := max(0, slices.Index(c.ranks, canal))
	c.minutes += c.takes(x.GetId(), canal, &vw.Minutes{Median: x.GetMedians()[min(rank, len(x.GetMedians())-1)], LogSd: x.GetLogSd(), Scaled: x.GetScaled()})
	c.step(x.GetId(), canal)
}

// takes is how long a step takes here: its mean, at the pace of this visit.
func (c *course) takes(step, canal string, m *vw.Minutes) float64 {
	mean := m.GetMedian() * math.Exp(m.GetLogSd()*m.GetLogSd()/2)
	if !m.GetScaled() {
		return mean
	}
	return mean * c.pace * math.Exp(spread*(2*c.draw(step+" "+canal)-1))
}

// spread is how far a single step strays from its median here, on the log
// scale. Invented.
const spread = 0.2

// draw is chance for this visit.
func (c *course) draw(of string) float64 { return draw(c.t.ref, c.t.visits, of) }

// step marks a step as done, with what is written down beside it and what
// happens then.
func (c *course) step(step, canal string) {
	c.mark(&vw.ChairMark{What: &vw.ChairMark_StepDone{StepDone: &vw.StepMark{Step: step, Canal: canal}}})
	switch step {
	case "anaesthetise":
		c.mark(&vw.ChairMark{What: &vw.ChairMark_Injection{Injection: &vw.GivenAnaesthetic{Cartridges: 1, Solution: &vw.AnaestheticSolution{
			Agent: "articaine", Percent: 4, CartridgeMl: 1.7, Vasoconstrictor: "epinephrine", OneIn: 200000}}}})
	case "cone-image":
		c.mark(&vw.ChairMark{What: &vw.ChairMark_Radiograph{Radiograph: &vw.RadiographMark{Justification: "fit of the cones before filling"}}})
	case "length-image":
		c.mark(&vw.ChairMark{What: &vw.ChairMark_Radiograph{Radiograph: &vw.RadiographMark{Justification: "lengths that the apex locator did not settle"}}})
	case "working-length":
		c.mark(&vw.ChairMark{What: &vw.ChairMark_Canal{Canal: &vw.CanalMark{Canal: canal, Patent: proto.Bool(true),
			ZeroMm: proto.Float64(19 + math.Round(c.draw("zero "+canal)*8)/2), ReferencePoint: canal + " cusp", Decided: c.decided[canal]}}})
	case "shape":
		c.mark(&vw.ChairMark{What: &vw.ChairMark_Canal{Canal: &vw.CanalMark{Canal: canal, FileSize: proto.Int32(25 + 5*int32(c.draw("file "+canal)*3)), FileTaper: proto.Float64(0.04)}}})
	}
	key := step
	if canal != "" {
		key += " " + canal
	}
	c.happen(key)
}

// happen enters the chair events that come after a step or a stage.
func (c *course) happen(after string) {
	for _, e := range c.scene.Events {
		if e.After != after {
			continue
		}
		c.minutes++
		if e.Event == "further-canal" {
			c.canals, c.late[e.Canal] = append(c.canals, e.Canal), true
		}
		c.decided[e.Canal] = e.Decided
		c.mark(&vw.ChairMark{What: &vw.ChairMark_Event{Event: &vw.EventMark{Event: e.Event, Canal: e.Canal, Third: e.Third, Partner: e.Partner}}})
	}
}

// mark adds an entry at this minute of the visit.
func (c *course) mark(m *vw.ChairMark) {
	m.Id = uuid.NewSHA1(uuid.NameSpaceURL, fmt.Appendf(nil, "%s/%d/%d", c.t.of.GetName(), c.t.visits, len(c.marks))).String()
	m.Time = timestamppb.New(c.begin.Add(minutes(c.minutes)))
	c.marks = append(c.marks, m)
}

// until are the entries up to a moment.
func (c *course) until(at time.Time) []*vw.ChairMark {
	i := slices.IndexFunc(c.marks, func(m *vw.ChairMark) bool { return m.GetTime().AsTime().After(at) })
	if i < 0 {
		return c.marks
	}
	return c.marks[:i]
}
