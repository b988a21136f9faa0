package obtain

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"time"

	"github.com/visitwright/visitwright/planner/chairside"
	"github.com/visitwright/visitwright/planner/protocol"
	"github.com/visitwright/visitwright/planner/tooth"
	"github.com/visitwright/visitwright/planner/visits"
)

// ChairMoment is a running visit of a random story, as JSON, and what the
// planner answers: for each stage of the position's model at whose end the
// visit may be closed, the odds of being closed there within the minutes left,
// and within ten more and ten fewer.
type ChairMoment struct {
	Story  string
	JSON   []byte
	Length int
	Odds   map[int]map[int]float64 // by stage and minutes
}

// RandomChair plays a random visit of a lower molar up to a random moment:
// canals worked on in their order or not, a further canal found, a canal blocked
// or given up, steps that drag on, pauses.
func RandomChair(seed uint64) (ChairMoment, error) {
	r := rand.New(rand.NewPCG(seed, 77))
	shipped, err := protocol.Shipped()
	if err != nil {
		return ChairMoment{}, err
	}
	diagnosis := []string{"necrotic-lesion", "irreversible-pulpitis"}[r.IntN(2)]
	m, _, err := shipped.Compile(protocol.CaseInput{
		Protocol: "primary-treatment", Tooth: tooth.Code(46), Diagnosis: diagnosis, Microscope: r.IntN(2) == 0,
		Canals:     visits.CanalBelief{P: []float64{0, 0, .05, .65, .28, .02}, Expected: 3, Names: []string{"MB", "ML", "D", "DL", "MM"}},
		Difficulty: map[string]protocol.Level{}, Cost: visits.Cost{Work: 1, Overrun: 2, Idle: 1, Visit: 30, Unused: 15},
		Grid: visits.Grid{Least: 15, Most: 180, Step: 5}, Horizon: 3, Cap: 480,
	})
	if err != nil {
		return ChairMoment{}, err
	}
	p := chairside.Plan{Tooth: "46", Model: m, Length: 70 + 5*r.IntN(10), Number: 1, Option: visits.Option{EarliestCompletion: 1}}
	if r.IntN(4) == 0 { // the second visit, after the canals were shaped
		p.Number, p.Begin, p.Option.EarliestCompletion = 2, visits.State{Stage: 2, Found: 3}, 2
		for _, name := range []string{"MB", "ML", "D"} {
			p.Canals = append(p.Canals, chairside.Canal{Name: name, State: chairside.Shaped})
		}
	}
	s := player{r: r, plan: p, start: time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)}
	s.play()
	return s.moment()
}

type player struct {
	r     *rand.Rand
	plan  chairside.Plan
	start time.Time
	now   int // whole minutes, so that nothing is rounded
	marks []chairside.Mark
	said  string
}

func (s *player) add(m chairside.Mark) bool {
	m.ID = fmt.Sprint(len(s.marks))
	m.At = s.start.Add(time.Duration(s.now) * time.Minute)
	if _, err := chairside.Read(s.plan, append(s.marks, m)); err != nil {
		return false
	}
	s.marks = append(s.marks, m)
	s.said += fmt.Sprintf(" %d:%s %s%s%s", s.now, m.Kind, m.Step, m.Event, m.Canal)
	return true
}

func (s *player) done(step, canal string, about float64) {
	s.now += max(0, int(about*(0.6+0.9*s.r.Float64())+0.5))
	s.add(chairside.Mark{Kind: chairside.StepDone, Step: step, Canal: canal})
}

func (s *player) play() {
	r := s.r
	s.add(chairside.Mark{Kind: chairside.Begin, Identity: true, Alerts: true})
	if r.IntN(8) == 0 { // still opening
		s.now += 2 + r.IntN(8)
		return
	}
	for _, x := range s.plan.Model.Start.Once {
		s.done(x.ID, "", x.Median+.5)
	}
	canals := []string{"MB", "ML", "D"}
	steps := 4 + r.IntN(16)
	next := 1
	if begin := s.plan.Begin.Stage; begin > 0 {
		resume := s.plan.Model.Stops[begin].Resume
		for _, x := range resume.Once {
			s.done(x.ID, "", x.Median)
		}
		for i, c := range canals {
			for _, x := range resume.PerCanal {
				s.done(x.ID, c, x.Medians[i])
			}
		}
		next, steps = begin, r.IntN(6)
	} else {
		for _, x := range s.plan.Model.Stages[0].Work.Once {
			s.done(x.ID, "", x.Median)
		}
		for _, c := range canals {
			s.done("locate", c, 1)
		}
	}
	further := r.IntN(3) == 0
	for _, stage := range s.plan.Model.Stages[next:] {
		if g := stage.Gate; g != nil { // the check is nobody's step, and takes its time
			s.now += int(g.Check.Median + .5)
		}
		for _, x := range stage.Work.Once {
			if steps--; steps < 0 {
				return
			}
			s.done(x.ID, "", x.Median)
		}
		for i := 0; i < len(canals); i++ {
			for _, x := range stage.Work.PerCanal {
				if steps--; steps < 0 {
					if r.IntN(2) == 0 {
						s.add(chairside.Mark{Kind: chairside.StepBegun, Step: x.ID, Canal: canals[i]})
					}
					s.now += r.IntN(5)
					return
				}
				s.done(x.ID, canals[i], x.Medians[i])
				switch {
				case further && r.IntN(4) == 0:
					further = false
					if s.add(chairside.Mark{Kind: chairside.Happened, Event: "further-canal", Canal: "DL"}) {
						canals = append(canals, "DL")
					}
				case r.IntN(12) == 0:
					s.add(chairside.Mark{Kind: chairside.Happened, Event: "ledge", Canal: canals[i], Third: chairside.Middle})
					s.now += 7 + r.IntN(8)
				case r.IntN(20) == 0:
					s.add(chairside.Mark{Kind: chairside.CanalNote, Canal: canals[len(canals)-1], Note: &chairside.Note{State: chairside.GivenUp}})
				case r.IntN(15) == 0:
					s.add(chairside.Mark{Kind: chairside.Pause})
					s.now += 1 + r.IntN(5)
					s.add(chairside.Mark{Kind: chairside.Resume})
				}
			}
		}
	}
}

func (s *player) moment() (ChairMoment, error) {
	v, err := chairside.Read(s.plan, s.marks)
	if err != nil {
		return ChairMoment{}, err
	}
	now := s.start.Add(time.Duration(s.now) * time.Minute)
	out := ChairMoment{Story: s.said, Odds: map[int]map[int]float64{}}
	a, err := s.plan.At(v, now, nil)
	if err != nil {
		return out, err
	}
	if out.JSON, err = json.Marshal(a.Position); err != nil {
		return out, err
	}
	out.Length = a.Position.Progress.Length
	gone := int(a.Used+.5) - (s.plan.Length - out.Length)
	for _, w := range a.Ways {
		if w.Now || v.State.Stage >= len(s.plan.Model.Stages) {
			continue
		}
		end := len(a.Position.Model.Stages)
		for i, stop := range a.Position.Model.Stops {
			if w.ID != chairside.Finish && stop.ID == w.ID && i > a.Position.Stage+a.Position.Split {
				end = i
			}
		}
		out.Odds[end] = map[int]float64{out.Length: w.Odds}
		for _, more := range []int{-20, -10, 10, 20} {
			out.Odds[end][out.Length+more] = w.Minutes.AtMost(out.Length + more - gone)
		}
	}
	return out, nil
}
