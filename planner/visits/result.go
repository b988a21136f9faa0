package visits

import "github.com/visitwright/visitwright/planner/chairtime"

// Option says which way of treating is to be solved.
type Option struct {
	// EarliestCompletion is k: stages that fill are forbidden before visit k.
	// 1 (or 0) forbids nothing.
	EarliestCompletion int `json:"earliest_completion"`
	// BookedAhead is the number of visits booked before treatment begins, each
	// with one length whatever happens before it. Later visits are booked when
	// they are needed, with a length for the state they begin in. 0 means
	// EarliestCompletion.
	BookedAhead int `json:"booked_ahead,omitzero"`
	// Lengths fixes the lengths of the first visits booked ahead, in minutes; 0
	// or a missing entry leaves the choice to the solver.
	Lengths []int `json:"lengths,omitempty"`
	// Bear overrides the model's limit of what the patient can bear.
	Bear *Bear `json:"bear,omitempty"`
	// CaseNodes and VisitNodes are the numbers of quadrature nodes for the two
	// shared factors, for choosing and for reporting; 0 takes the measured
	// defaults, which are fewer for choosing.
	CaseNodes  int `json:"case_nodes,omitzero"`
	VisitNodes int `json:"visit_nodes,omitzero"`
}

// Result is the plan for one option: lengths, the go-on table, and the odds
// that follow from them.
type Result struct {
	Option Option `json:"option"` // as solved, defaults filled in

	Cost      float64 `json:"cost"`       // expected, in minutes of work
	CostMicro int64   `json:"cost_micro"` // the same in whole millionths, in which costs are compared
	Parts     Parts   `json:"parts"`      // what the cost is made of

	Lengths []Length `json:"lengths"` // of every visit, by the state in which it begins
	Table   []Entry  `json:"table"`   // when to go on, by visit and state

	Visits []Visit `json:"visits"` // Visits[i] is visit i+1, up to the horizon
	// Complete[i] is the probability that treatment is complete by visit i+1.
	Complete       []float64 `json:"complete"`
	Unfinished     float64   `json:"unfinished"`      // probability not complete after Horizon visits
	ExpectedVisits float64   `json:"expected_visits"` // of the visits up to Horizon
	ExpectedUnused float64   `json:"expected_unused"` // visits booked ahead and not needed

	Total  chairtime.Dist `json:"total"`  // minutes over all visits up to Horizon
	Canals []CanalOutcome `json:"canals"` // by the number of canals found in the end

	Numbers Numbers `json:"numbers"`
}

// Parts is the expected cost by cause, in the model's cost unit.
type Parts struct {
	Work       float64 `json:"work"`
	Overrun    float64 `json:"overrun"`
	Idle       float64 `json:"idle"`
	Visits     float64 `json:"visits"`
	Unused     float64 `json:"unused"`
	Unfinished float64 `json:"unfinished"`
}

// Length is the appointment length of a visit that begins in a state. A visit
// booked ahead has the same length in every state.
type Length struct {
	Visit   int   `json:"visit"` // from 1
	Begin   State `json:"begin"`
	Minutes int   `json:"minutes"`
}

// Entry is one line of the go-on table: at this stopping point of this visit
// the clinician goes on when at least LeastLeft whole minutes are left.
type Entry struct {
	Visit int   `json:"visit"` // from 1
	State State `json:"state"`
	// Barred: filling is barred in this visit. Where nothing is left to fill both
	// entries are alike, and Reached counts in the one without the bar.
	Barred bool   `json:"barred,omitzero"`
	Stop   string `json:"stop"` // id of the stop at which the visit would end
	Rule   Rule   `json:"rule"`
	// LeastLeft is 0 where the clinician always goes on, and Never where the
	// visit ends whatever the clock says.
	LeastLeft int `json:"least_left"`
	// Reached is the probability that the treatment comes to this point.
	Reached float64 `json:"reached"`
	// GoOn is the probability of going on there, given that it is reached.
	GoOn float64 `json:"go_on"`
}

// Rule says why an entry is as it is.
type Rule string

const (
	Chosen      Rule = "chosen"       // weighed by cost
	NotAllowed  Rule = "not-allowed"  // no stop may be chosen here: go on
	MayNotBegin Rule = "may-not-fill" // what comes next is forbidden in this visit: stop
)

// Never is the LeastLeft of an entry at which the visit always ends; it is
// longer than any appointment.
const Never = 10_000

// Visit is what is expected of one visit, given that it happens, except for
// Happens itself.
type Visit struct {
	Number      int     `json:"number"` // from 1
	Happens     float64 `json:"happens"`
	BookedAhead bool    `json:"booked_ahead"`
	// Length in minutes; for a visit that is not booked ahead the one that is
	// most likely (see Result.Lengths).
	Length   int            `json:"length"`
	Minutes  chairtime.Dist `json:"minutes"`
	Quantile float64        `json:"quantile"` // share of visits no longer than their length: P(on time)
	Overrun  float64        `json:"overrun"`  // expected minutes beyond the length
	Idle     float64        `json:"idle"`     // expected minutes not filled
	// Longer is the probability of being in the chair longer than Bear.Minutes;
	// 0 without a limit.
	Longer float64 `json:"longer"`
	// LeastMinutes is the expected length of the shortest visit possible: start,
	// one portion, end. A length below it is infeasible.
	LeastMinutes float64 `json:"least_minutes"`
	Ends         []End   `json:"ends"` // where the visit ends, most likely first
}

// End is a state in which a visit ends.
type End struct {
	State State   `json:"state"`
	Stop  string  `json:"stop"`
	Odds  float64 `json:"odds"` // given that the visit happens
}

// CanalOutcome is the treatment given that it ends with that many canals found.
type CanalOutcome struct {
	Found int `json:"found"`
	// Odds of this number when treatment is complete or the horizon is reached.
	Odds float64 `json:"odds"`
	// OneGo is the distribution of the minutes of the whole treatment done in
	// one visit with exactly that many canals.
	OneGo    chairtime.Dist `json:"one_go"`
	Complete []float64      `json:"complete"` // complete by visit i+1, given this number
}

// Numbers says how exact the answer is.
type Numbers struct {
	// Quadrature nodes on which lengths and thresholds were chosen, and those on
	// which everything reported was computed.
	DecideCaseNodes  int     `json:"decide_case_nodes"`
	DecideVisitNodes int     `json:"decide_visit_nodes"`
	CaseNodes        int     `json:"case_nodes"`
	VisitNodes       int     `json:"visit_nodes"`
	FactorNodes      int     `json:"factor_nodes"` // different sums of a case and a visit node
	Sweeps           int     `json:"sweeps"`       // forward and backward, until nothing changed
	Lost             float64 `json:"lost"`         // greatest probability kept in an outermost cell instead of its own
}
