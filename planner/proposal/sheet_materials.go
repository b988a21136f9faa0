package proposal

import (
	"fmt"
	"slices"

	"github.com/visitwright/visitwright/planner/protocol"
	"github.com/visitwright/visitwright/planner/visits"
)

// possibleEnd is the chance from which a state counts among those in which a
// visit may end. It is a matter of what is laid out, not of treatment.
const possibleEnd = .005

// run is what one visit may do: the stages it may pass, the states in which it
// may end or be stopped, and the steps that belong to them.
type run struct {
	resumes bool     // it takes up a tooth that was worked on before
	main    string   // the stop in which it most often ends
	stops   []string // every other stop in which it may end or be stopped
	steps   []string // every step it may come to
}

// run collects what a visit may come to: from the stage it most often begins
// with to the furthest it may reach, and never less than it most often does.
func (w *work) run(m visits.Model, res visits.Result, visit, from, to int) run {
	r := run{resumes: visit > 1 || m.Begin != (visits.State{}), main: m.Stops[to].ID}
	add := func(b visits.Block) {
		for _, s := range b.Once {
			r.steps = append(r.steps, s.ID)
		}
		for _, s := range b.PerCanal {
			r.steps = append(r.steps, s.ID)
		}
	}
	end := func(id string) {
		if id != r.main && !slices.Contains(r.stops, id) {
			r.stops = append(r.stops, id)
			r.steps = append(r.steps, w.stop(id).End...)
		}
	}
	furthest := to
	for _, e := range res.Visits[visit-1].Ends {
		if e.Odds >= possibleEnd {
			furthest = max(furthest, e.State.Stage)
			end(e.Stop)
		}
	}
	add(m.Start)
	add(m.Stops[to].End)
	if r.resumes {
		add(m.Stops[from].Resume)
		end(m.Stops[from].ID)
	}
	for i := from; i < furthest; i++ {
		add(m.Stages[i].Work)
		end(m.Stops[i+1].ID)
	}
	return r
}

// setOut picks the lines of what is set out that this visit may need.
func (w *work) setOut(r run) []string {
	var out []string
	for _, l := range w.protocol.SetOut {
		if len(l.For) == 0 || slices.ContainsFunc(l.For, func(step string) bool { return slices.Contains(r.steps, step) }) {
			out = append(out, l.What)
		}
	}
	return out
}

// beforeTheEnd is added to a material that is placed only where the visit is
// stopped before the end it is planned to reach.
const beforeTheEnd = ", if the visit stops before its aim"

// dressingLine says what is placed below the seal: at the end that is planned,
// or only where the visit is stopped early. A tooth that is opened and not
// dressed is said to be so; one that is not opened has no line.
func (w *work) dressingLine(r run) string {
	if d := w.dressingAt(r.main); d != "" {
		return d
	}
	sealed := w.stop(r.main).Dressed
	for _, id := range r.stops {
		if d := w.dressingAt(id); d != "" {
			return d + beforeTheEnd
		}
		sealed = sealed || w.stop(id).Dressed
	}
	if sealed {
		return "none in this visit"
	}
	return ""
}

// dressingAt names the dressing that the steps of a stop place.
func (w *work) dressingAt(stop string) string {
	end := w.stop(stop).End
	for _, step := range []string{"dress", "dress-chamber", "antibiotic-paste"} {
		if slices.Contains(end, step) {
			return w.medicamentName(w.dressing)
		}
	}
	switch {
	case slices.Contains(end, "pulp-dressing"):
		return w.medicamentName("pulp-dressing")
	case slices.Contains(end, "moist-pellet"):
		return "moist pellet over the cement"
	}
	return ""
}

func (w *work) medicamentName(id string) string {
	m, err := w.catalogue.Medicament(id)
	if err != nil {
		return ""
	}
	return m.Name
}

// temporaryLine says how the tooth is sealed; "" where it is not.
func (w *work) temporaryLine(r run) string {
	t, err := w.catalogue.Temporary(w.in.Clinic.Temporary)
	if err != nil || !slices.Contains(r.steps, "seal") && !slices.Contains(r.steps, "temporary-repair") {
		return ""
	}
	mm, _ := w.catalogue.Figure("materials.temporaries." + t.ID + ".least_mm")
	line := fmt.Sprintf("%s, at least %.1f mm", t.Name, mm.Value)
	if !slices.Contains(w.stop(r.main).End, "seal") && !slices.Contains(r.steps, "temporary-repair") {
		line += beforeTheEnd
	}
	return line
}

// entersCanals reports whether the treatment goes into canals at all; what does
// not needs no table of them.
func (w *work) entersCanals(m visits.Model) bool {
	for _, s := range m.Stages {
		if len(s.Work.PerCanal) > 0 || slices.ContainsFunc(s.Work.Once, func(x visits.Step) bool {
			known, err := w.catalogue.Step(x.ID)
			return err == nil && known.EntersCanal
		}) {
			return true
		}
	}
	return false
}

func hasStep(b visits.Block, id string) bool {
	return slices.ContainsFunc(b.Once, func(s visits.Step) bool { return s.ID == id })
}

// stop is a stop by its id; the zero value for one that is not known.
func (w *work) stop(id string) protocol.StopState {
	s, _ := w.catalogue.Stop(id) // an unknown stop has no steps
	return s
}

func (w *work) startOrder() []string {
	var order []string
	for _, r := range w.protocol.Start {
		order = append(order, r.Step)
	}
	return order
}

func (w *work) stageOrder(id string) []string {
	for _, s := range w.protocol.Stages {
		if s.ID == id {
			return s.Order()
		}
	}
	return nil
}

// arrange puts lines in the order in which they are done. A step of the
// practice's own sequence stands where the steps that it replaces stood.
func (w *work) arrange(lines []Line, order []string) {
	rank := func(l Line) int {
		if i := slices.Index(order, l.Step); i >= 0 {
			return i
		}
		for i, id := range order {
			if s, err := w.catalogue.Step(id); err == nil && s.Sequence != "" {
				return i
			}
		}
		return len(order)
	}
	slices.SortStableFunc(lines, func(a, b Line) int { return rank(a) - rank(b) })
}
