package check

import "fmt"

// planFile is what the command line writes with `plan -o json`: the answer that
// was shown, with the complete model that produced it.
type planFile struct {
	Options []struct {
		ID             string      `json:"id"`
		Feasible       bool        `json:"feasible"`
		Visits         []fileVisit `json:"visits"`
		CompleteBy     []fileOdds  `json:"complete_by"`
		Unfinished     float64     `json:"unfinished"`
		ExpectedVisits float64     `json:"expected_visits"`
		ExpectedCost   float64     `json:"expected_cost"`
		Total          fileCells   `json:"total_minutes"`
	} `json:"options"`
	Workings struct {
		Model   fileModel    `json:"model"`
		Options []fileOption `json:"options"`
	} `json:"workings"`
}

type fileOdds struct {
	Probability float64 `json:"probability"`
}

type fileCells struct {
	First int       `json:"first_minute"`
	P     []float64 `json:"probabilities"`
}

type fileState struct {
	Stages int `json:"stages_done"`
	Canals int `json:"canals_done"`
	Found  int `json:"canals_found"`
}

type fileVisit struct {
	Number  int       `json:"number"`
	OnTime  fileOdds  `json:"on_time"`
	Chair   fileCells `json:"chair_minutes"`
	Needed  fileOdds  `json:"needed"`
	Overrun float64   `json:"expected_overrun_minutes"`
	Idle    float64   `json:"expected_idle_minutes"`
	Longer  float64   `json:"longer_than_tolerance"`
	Ends    []struct {
		State fileState `json:"state"`
		Odds  fileOdds  `json:"odds"`
	} `json:"ends"`
}

type fileOption struct {
	Option   string `json:"option"`
	FillFrom int    `json:"earliest_filling_visit"`
	Ahead    int    `json:"booked_ahead"`
	Lengths  []struct {
		Visit   int       `json:"visit"`
		Begin   fileState `json:"begin"`
		Minutes int       `json:"minutes"`
	} `json:"lengths"`
	Policy struct {
		Rows []struct {
			Visit  int       `json:"visit"`
			State  fileState `json:"state"`
			Barred bool      `json:"filling_barred"`
			// Absent where the visit ends whatever the clock says.
			Least   *int    `json:"least_minutes"`
			Reached float64 `json:"reached"`
			GoOn    float64 `json:"go_on"`
		} `json:"rows"`
	} `json:"policy"`
	Unused float64 `json:"expected_unused"`
	Canals []struct {
		Found    int       `json:"found"`
		Odds     fileOdds  `json:"odds"`
		Complete []float64 `json:"complete_by"`
	} `json:"canals"`
}

type fileModel struct {
	Protocol string `json:"protocol"`
	Tooth    string `json:"tooth"`
	Canals   struct {
		P        []float64 `json:"probabilities"`
		Expected int       `json:"expected"`
		Names    []string  `json:"canal_names"`
	} `json:"canals"`
	Factor struct {
		Case       float64 `json:"case_log_sd"`
		Visit      float64 `json:"visit_log_sd"`
		Convention string  `json:"convention"`
	} `json:"factor"`
	Begin  fileState `json:"begin"`
	Start  fileBlock `json:"start"`
	Stages []struct {
		ID             string    `json:"id"`
		Locates        bool      `json:"locates"`
		Work           fileBlock `json:"work"`
		Discovery      float64   `json:"discovery"`
		StopAfterCanal bool      `json:"stop_after_canal"`
		Fills          bool      `json:"fills"`
		Gate           *Gate     `json:"gate"`
	} `json:"stages"`
	Stops []struct {
		ID      string    `json:"id"`
		Allowed bool      `json:"allowed"`
		End     fileBlock `json:"end"`
		Resume  fileBlock `json:"resume"`
	} `json:"stops"`
	Cost struct {
		Work    float64 `json:"work"`
		Overrun float64 `json:"overrun"`
		Idle    float64 `json:"idle"`
		Visit   float64 `json:"visit"`
		Unused  float64 `json:"unused"`
	} `json:"cost"`
	Grid struct {
		Least int `json:"least"`
		Most  int `json:"most"`
		Step  int `json:"step"`
	} `json:"grid"`
	Tolerance struct {
		Minutes int     `json:"minutes"`
		Chance  float64 `json:"chance"`
	} `json:"tolerance"`
	Horizon int    `json:"horizon"`
	Cap     int    `json:"cap_minutes"`
	Clock   string `json:"clock"`
}

type fileBlock struct {
	Once []struct {
		ID      string `json:"id"`
		Minutes Law    `json:"minutes"`
	} `json:"once"`
	PerCanal []canalStep `json:"per_canal"`
	Events   []event     `json:"events"`
	Contact  float64     `json:"contact_minutes"`
	Overlaps []string    `json:"overlaps"`
}

// PlanFile is one option of a plan file, ready to be simulated.
type PlanFile struct {
	Option    string
	Treatment *Treatment
	Answer    *Answer
}

// ReadPlanFile reads a plan as the command line writes it, and nothing else:
// what the model and the table mean is said in the contract beside each field.
func ReadPlanFile(from []byte) ([]PlanFile, error) {
	var f planFile
	if err := readLoose(from, &f); err != nil {
		return nil, err
	}
	if c := f.Workings.Model.Factor.Convention; c != "median-one" {
		return nil, fmt.Errorf("factors keep %q: this sampler knows median-one", c)
	}
	treatment := f.Workings.Model.treatment()
	if err := treatment.known(); err != nil {
		return nil, err
	}
	var list []PlanFile
	for _, shown := range f.Options {
		if !shown.Feasible {
			continue
		}
		for i := range f.Workings.Options {
			if w := &f.Workings.Options[i]; w.Option == shown.ID {
				a := w.answer()
				a.Cost, a.Unfinished, a.ExpectedVisits = shown.ExpectedCost, shown.Unfinished, shown.ExpectedVisits
				a.Complete, a.Total = odds(shown.CompleteBy), Cells(shown.Total)
				for _, v := range shown.Visits {
					a.Visits = append(a.Visits, v.answer())
				}
				list = append(list, PlanFile{shown.ID, treatment, a})
			}
		}
	}
	return list, nil
}

func odds(list []fileOdds) []float64 {
	var p []float64
	for _, o := range list {
		p = append(p, o.Probability)
	}
	return p
}

func (s fileState) standing() Standing { return Standing{s.Stages, s.Canals, s.Found} }

func (b *fileBlock) block() Block {
	out := Block{PerCanal: b.PerCanal, Events: b.Events, Contact: b.Contact, Overlaps: b.Overlaps}
	for _, s := range b.Once {
		out.Once = append(out.Once, onceStep{s.ID, s.Minutes})
	}
	return out
}

func (m *fileModel) treatment() *Treatment {
	t := &Treatment{Protocol: m.Protocol, Tooth: m.Tooth, Begin: m.Begin.standing(), Start: m.Start.block(),
		Horizon: m.Horizon, Cap: m.Cap, Clock: m.Clock}
	t.Canals.P, t.Canals.Expected, t.Canals.Names = m.Canals.P, m.Canals.Expected, m.Canals.Names
	t.Factor.CaseLogSD, t.Factor.VisitLogSD = m.Factor.Case, m.Factor.Visit
	t.Cost, t.Grid, t.Bear = m.Cost, m.Grid, m.Tolerance
	for i := range m.Stages {
		s := &m.Stages[i]
		t.Stages = append(t.Stages, Stage{s.ID, s.Locates, s.Work.block(), s.Discovery, s.StopAfterCanal, s.Fills, s.Gate})
	}
	for i := range m.Stops {
		s := &m.Stops[i]
		t.Stops = append(t.Stops, Stop{s.ID, s.Allowed, s.End.block(), s.Resume.block()})
	}
	return t
}

func (o *fileOption) answer() *Answer {
	a := &Answer{ExpectedUnused: o.Unused}
	a.Option.FillFrom, a.Option.Ahead = o.FillFrom, o.Ahead
	for _, l := range o.Lengths {
		a.Lengths = append(a.Lengths, answerLength{l.Visit, l.Begin.standing(), l.Minutes})
	}
	for _, r := range o.Policy.Rows {
		least := never
		if r.Least != nil {
			least = *r.Least
		}
		a.Table = append(a.Table, answerRow{r.Visit, r.State.standing(), r.Barred, least, r.Reached, r.GoOn})
	}
	for _, c := range o.Canals {
		a.Canals = append(a.Canals, answerCanals{c.Found, c.Odds.Probability, c.Complete})
	}
	return a
}

func (v *fileVisit) answer() answerVisit {
	out := answerVisit{Number: v.Number, Happens: v.Needed.Probability, Minutes: Cells(v.Chair),
		Quantile: v.OnTime.Probability, Overrun: v.Overrun, Idle: v.Idle, Longer: v.Longer}
	for _, e := range v.Ends {
		out.Ends = append(out.Ends, answerEnd{e.State.standing(), e.Odds.Probability})
	}
	return out
}
