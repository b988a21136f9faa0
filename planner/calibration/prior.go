package calibration

import (
	"embed"
	"encoding/json"
	"fmt"
	"math"

	"github.com/visitwright/visitwright/planner/provenance"
)

//go:embed prior.json
var files embed.FS

// Figure is a number of the prior with its standing.
type Figure struct {
	Value float64         `json:"value"`
	Mark  provenance.Mark `json:"mark"`
}

// Prior is what is believed before the practice has logged a visit.
type Prior struct {
	// PracticeSD is the standard deviation, on the log scale, of a practice's
	// own speed around the published figures.
	PracticeSD Figure `json:"practice_sd"`
	// ClinicianSD is the scale of the half-normal prior on the spread between
	// clinicians of one practice.
	ClinicianSD Figure `json:"clinician_sd"`
	// VisitSD centres the prior on the spread from visit to visit of one
	// person (the model's shared factors together).
	VisitSD Figure `json:"visit_sd"`
	// VisitSDLogSD is how far VisitSD may be wrong, as a log standard deviation.
	VisitSDLogSD Figure `json:"visit_sd_log_sd"`
	// HalfLife is the number of visits after which a visit counts half; 0 means
	// that visits do not age.
	HalfLife Figure `json:"half_life"`
	// Flat leaves the practice's speed free; used by the worked examples.
	Flat bool `json:"-"`
	// Grid is where the posterior is held.
	Grid Grid `json:"grid"`
}

// Grid is the fixed grid on which speeds and spreads are weighed.
type Grid struct {
	From  float64 `json:"from"`  // least log speed
	To    float64 `json:"to"`    // greatest log speed
	Steps int     `json:"steps"` // number of intervals between them
	// ClinicianSDs and VisitSDs are the spreads considered. A single entry fixes
	// the spread.
	ClinicianSDs []float64 `json:"clinician_sds"`
	VisitSDs     []float64 `json:"visit_sds"`
}

// Shipped returns the prior that ships with the program.
func Shipped() (Prior, error) {
	raw, err := files.ReadFile("prior.json")
	if err != nil {
		return Prior{}, fmt.Errorf("calibration prior: %w", err)
	}
	var p Prior
	if err := json.Unmarshal(raw, &p); err != nil {
		return Prior{}, fmt.Errorf("calibration prior: %w", err)
	}
	return p, p.Validate()
}

// Validate reports a figure out of range or without provenance.
func (p Prior) Validate() error {
	for _, f := range []struct {
		name string
		fig  Figure
		zero bool
	}{
		{"practice_sd", p.PracticeSD, p.Flat},
		{"clinician_sd", p.ClinicianSD, false},
		{"visit_sd", p.VisitSD, false},
		{"visit_sd_log_sd", p.VisitSDLogSD, false},
		{"half_life", p.HalfLife, true},
	} {
		if f.fig.Value < 0 || (f.fig.Value == 0 && !f.zero) || math.IsNaN(f.fig.Value) {
			return fmt.Errorf("%s %g: want a number above 0", f.name, f.fig.Value)
		}
		if err := f.fig.Mark.Validate(); err != nil {
			return fmt.Errorf("%s: %w", f.name, err)
		}
	}
	return p.Grid.validate()
}

func (g Grid) validate() error {
	if !(g.From < g.To) || g.Steps < 2 || g.Steps > 2000 {
		return fmt.Errorf("grid: want from < to and 2 to 2000 steps")
	}
	for _, list := range [][]float64{g.ClinicianSDs, g.VisitSDs} {
		if len(list) == 0 {
			return fmt.Errorf("grid: want at least one spread of each kind")
		}
		for _, sd := range list {
			if sd < 0 || math.IsNaN(sd) {
				return fmt.Errorf("grid: spread %g: want 0 or above", sd)
			}
		}
	}
	return nil
}

func (g Grid) speeds() []float64 {
	out := make([]float64, g.Steps+1)
	h := (g.To - g.From) / float64(g.Steps)
	for i := range out {
		out[i] = g.From + h*float64(i)
	}
	return out
}

// logPriors returns the log prior weight of each clinician spread and of each
// visit spread on the grid.
func (p Prior) logPriors() (clinician, visit []float64) {
	clinician = make([]float64, len(p.Grid.ClinicianSDs))
	for i, sd := range p.Grid.ClinicianSDs {
		z := sd / p.ClinicianSD.Value
		clinician[i] = -0.5 * z * z
	}
	visit = make([]float64, len(p.Grid.VisitSDs))
	for i, sd := range p.Grid.VisitSDs {
		if len(visit) == 1 || sd == 0 {
			continue
		}
		z := math.Log(sd/p.VisitSD.Value) / p.VisitSDLogSD.Value
		visit[i] = -0.5 * z * z
	}
	return clinician, visit
}
