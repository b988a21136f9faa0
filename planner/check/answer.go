package check

import "fmt"

// Answer is what a plan's JSON says about one option.
type Answer struct {
	Option struct {
		FillFrom int   `json:"earliest_completion"`
		Ahead    int   `json:"booked_ahead"`
		Lengths  []int `json:"lengths"`
	} `json:"option"`
	Cost           float64        `json:"cost"`
	Lengths        []answerLength `json:"lengths"`
	Table          []answerRow    `json:"table"`
	Visits         []answerVisit  `json:"visits"`
	Complete       []float64      `json:"complete"`
	Unfinished     float64        `json:"unfinished"`
	ExpectedVisits float64        `json:"expected_visits"`
	ExpectedUnused float64        `json:"expected_unused"`
	Total          Cells          `json:"total"`
	Canals         []answerCanals `json:"canals"`
}

type answerLength struct {
	Visit   int      `json:"visit"`
	Begin   Standing `json:"begin"`
	Minutes int      `json:"minutes"`
}

type answerRow struct {
	Visit     int      `json:"visit"`
	State     Standing `json:"state"`
	Barred    bool     `json:"barred"`
	LeastLeft int      `json:"least_left"`
	Reached   float64  `json:"reached"`
	GoOn      float64  `json:"go_on"`
}

type answerVisit struct {
	Number   int         `json:"number"`
	Happens  float64     `json:"happens"`
	Minutes  Cells       `json:"minutes"`
	Quantile float64     `json:"quantile"` // share no longer than the length booked
	Overrun  float64     `json:"overrun"`
	Idle     float64     `json:"idle"`
	Longer   float64     `json:"longer"`
	Ends     []answerEnd `json:"ends"`
}

type answerEnd struct {
	State Standing `json:"state"`
	Odds  float64  `json:"odds"`
}

type answerCanals struct {
	Found    int       `json:"found"`
	Odds     float64   `json:"odds"`
	Complete []float64 `json:"complete"`
}

// OneGo is what a plan's JSON says about the whole treatment in one visit.
type OneGo struct {
	Minutes Cells `json:"minutes"`
	Found   []struct {
		Found   int     `json:"found"`
		Odds    float64 `json:"odds"`
		Minutes Cells   `json:"minutes"`
	} `json:"found"`
}

// ReadOneGo reads the answer for the whole treatment in one visit.
func ReadOneGo(from []byte) (*OneGo, error) {
	var g OneGo
	if err := readLoose(from, &g); err != nil {
		return nil, err
	}
	return &g, nil
}

// Cells is a distribution over whole minutes; a cell stands for the minute
// around it, so that cells meet at half minutes.
type Cells struct {
	First int       `json:"first"`
	P     []float64 `json:"p"`
}

// quantile interpolates between half minutes.
func (c Cells) quantile(q float64) float64 {
	for i, p := range c.P {
		if q <= p && p > 0 {
			return float64(c.First+i) - .5 + q/p
		}
		q -= p
	}
	return float64(c.First+len(c.P)) - .5
}

// atMost is the probability of the cells up to k minutes.
func (c Cells) atMost(k int) float64 {
	var sum float64
	for i, p := range c.P {
		if c.First+i <= k {
			sum += p
		}
	}
	return sum
}

// ReadAnswer reads the answer for one option. Fields that only explain are
// passed over.
func ReadAnswer(from []byte) (*Answer, error) {
	var a Answer
	if err := readLoose(from, &a); err != nil {
		return nil, err
	}
	return &a, nil
}

// Booking is the part of the answer that the clinician follows.
func (a *Answer) Booking() *Booking {
	b := &Booking{
		FillFrom: a.Option.FillFrom, Ahead: a.Option.Ahead,
		Lengths: map[Beginning]int{}, Rows: map[Row]int{},
	}
	for _, l := range a.Lengths {
		b.Lengths[Beginning{l.Visit, l.Begin}] = l.Minutes
	}
	for _, e := range a.Table {
		b.Rows[Row{e.Visit, e.State, e.Barred}] = e.LeastLeft
	}
	return b
}

func missing(what string, visit int, at Standing) error {
	return fmt.Errorf("the plan has no %s for visit %d with %d stages done, %d canals done in the stage, %d found",
		what, visit, at.Stage, at.Canal, at.Found)
}
