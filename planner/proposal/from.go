package proposal

import (
	"slices"

	"github.com/visitwright/visitwright/planner/visits"
	"github.com/visitwright/visitwright/planner/window"
)

// From is where a treatment that began here stands: what is left is planned.
type From struct {
	// State of the tooth, in the protocol's own stages.
	State visits.State `json:"state"`
	// Canals that take less than their usual work, or none.
	Canals []CanalWork `json:"canals,omitempty"`
	// Stop in which the tooth was left, and what was really placed there.
	Stop       string  `json:"stop"`
	Medicament string  `json:"medicament,omitempty"` // catalogue id; "" when nothing was dressed
	Temporary  string  `json:"temporary,omitempty"`  // catalogue id
	SealMM     float64 `json:"seal_mm,omitempty"`    // 0 when not measured
	// Symptoms: in pain or swollen, so that no minimum holds.
	Symptoms bool `json:"symptoms,omitempty"`
}

// CanalWork is the share of its usual work that is left on one canal.
type CanalWork struct {
	Rank  int      `json:"rank"`            // in the order in which they were found, from 0
	Share float64  `json:"share"`           // 0 for a canal that was given up
	Steps []string `json:"steps,omitempty"` // those it holds for; none for all
}

// from puts a model where the treatment stands.
func (w *work) from(m *visits.Model) {
	f := w.in.From
	if f == nil {
		return
	}
	m.Begin = f.State
	if m.Begin.Stage < len(m.Stages) && !m.Stages[m.Begin.Stage].StopAfterCanal {
		m.Begin.Canal = 0
	}
	believe(m)
	for _, c := range f.Canals {
		for i := m.Begin.Stage; i < len(m.Stages); i++ {
			share(m.Stages[i].Work.PerCanal, c)
		}
		for i := m.Begin.Stage; i < len(m.Stops); i++ {
			share(m.Stops[i].End.PerCanal, c)
			share(m.Stops[i].Resume.PerCanal, c)
		}
	}
}

func share(steps []visits.CanalStep, c CanalWork) {
	for i := range steps {
		if c.Rank < len(steps[i].Medians) && (len(c.Steps) == 0 || slices.Contains(c.Steps, steps[i].ID)) {
			steps[i].Medians[c.Rank] *= c.Share
		}
	}
}

// believe makes sure that the number of canals in hand can be: what was found
// is no longer a matter of belief.
func believe(m *visits.Model) {
	found := m.Begin.Found
	if found == 0 {
		return
	}
	if found < m.Canals.Expected {
		m.Canals.Expected = found // the others were looked for and not found
	}
	mass := 0.0
	for n := range m.Canals.P {
		if n < found {
			m.Canals.P[n] = 0
		}
		mass += m.Canals.P[n]
	}
	if mass <= 0 {
		m.Canals.P[found], mass = 1, 1
	}
	for n := range m.Canals.P {
		m.Canals.P[n] /= mass
	}
	if visits.Validate(*m) != nil { // found without a stage that could have found it
		m.Canals.Expected = found
	}
}

// factsFrom leaves out what speaks about the choice before the first visit: the
// tooth has been dressed.
func (w *work) factsFrom(f facts) facts {
	out := facts{"always": true}
	for _, day := range []string{"exudate", "swelling", "not-restorable", "limited-opening", "cardiac", "endocarditis-prophylaxis", "anticoagulant", "long-journey", "pregnancy"} {
		out[day] = f[day]
	}
	out["overdue"] = w.in.Overdue != nil
	return out
}

// windowFrom is the window of the first visit that is left, from what was
// really placed.
func (w *work) windowFrom(v *Visit) error {
	f := w.in.From
	if f == nil {
		return nil
	}
	win, err := w.placed()
	if err != nil {
		return err
	}
	v.Window, v.From = &win, f.Stop
	return nil
}

func (w *work) placed() (window.Window, error) {
	f := w.in.From
	return window.Compute(w.catalogue, window.Input{
		Stop: f.Stop, Diagnosis: w.in.Diagnosis, Medicament: f.Medicament, Temporary: f.Temporary, SealMM: f.SealMM,
		OpenApex: w.openApex(), Symptoms: f.Symptoms,
		Prophylaxis: slices.Contains(w.in.Patient.Alerts, "endocarditis-prophylaxis"), CourseEndsIn: w.in.Patient.CourseEndsIn, Spacing: w.in.Patient.Spacing,
		Begun: w.clock(),
	})
}

// Placed is the return window after a visit that ended in in.From, also when
// nothing is left to plan. Errors are *protocol.InputError.
func Placed(in Input) (window.Window, error) {
	w, err := prepare(in)
	if err != nil {
		return window.Window{}, err
	}
	return w.placed()
}
