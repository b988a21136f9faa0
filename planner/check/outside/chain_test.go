package outside

import (
	"encoding/json"
	"fmt"
	"testing"

	"github.com/visitwright/visitwright/planner/check/obtain"
)

// orders lists every order of the tasks that respects "before".
func (l line) orders() [][]int {
	needs := make([]int, len(l.times))
	for _, b := range l.before {
		needs[b[1]-1] |= 1 << (b[0] - 1)
	}
	var all [][]int
	var extend func(done int, order []int)
	extend = func(done int, order []int) {
		if len(order) == len(l.times) {
			all = append(all, append([]int(nil), order...))
			return
		}
		for i := range l.times {
			if done>>i&1 == 0 && needs[i]&^done == 0 {
				extend(done|1<<i, append(order, i))
			}
		}
	}
	extend(0, nil)
	return all
}

// firstFit is the number of visits when each goes as far as the time allows:
// the least for a fixed order without forbidden breaks (exchange argument).
func (l line) firstFit(order []int, cycle int) int {
	visits, used := 0, cycle
	for _, task := range order {
		if used+l.times[task] > cycle {
			visits, used = visits+1, 0
		}
		used += l.times[task]
	}
	return visits
}

type object map[string]any

// treatment states an order of tasks as a treatment without chance: one stage
// for each task, one appointment length, a visit far cheaper than a minute of
// overrun and far dearer than a minute of work.
func (l line) treatment(order []int, cycle int) []byte {
	nothing := object{"once": nil, "per_canal": nil, "events": nil, "contact": 0, "overlaps": nil}
	stop := object{"id": "open", "allowed": true, "end": nothing, "resume": nothing}
	stops := []object{stop}
	var stages []object
	for _, task := range order {
		stages = append(stages, object{
			"id": fmt.Sprintf("task-%d", task+1), "discovery": 0,
			"work": object{
				"once":     []object{{"id": "work", "median": l.times[task], "log_sd": 0, "scaled": false}},
				"contact":  0,
				"overlaps": nil,
			},
		})
		stops = append(stops, stop)
	}
	b, err := json.Marshal(object{
		"protocol": l.name, "tooth": "46",
		"canals": object{"p": []float64{0, 1}, "expected": 1, "names": []string{"A"}},
		"factor": object{"case_log_sd": 0, "visit_log_sd": 0},
		"start":  nothing, "stages": stages, "stops": stops,
		"cost":    object{"work": 1, "overrun": 1e5, "idle": 0, "visit": 1e3, "unused": 0},
		"grid":    object{"least": cycle, "most": cycle, "step": 1},
		"bear":    object{"minutes": 0, "chance": 0},
		"horizon": 8, "cap": 60, "clock": "nearest-minute",
	})
	if err != nil {
		panic(err) // numbers and strings
	}
	return b
}

// The planner cuts a treatment of fixed order into the fewest visits; over all
// orders that Mertens' line allows, the best is the published optimum.
func TestTheBestOrderOfMertensTasksTakesThePublishedNumberOfVisits(t *testing.T) {
	mertens := lines[0]
	orders := mertens.orders()
	for cycle, want := range mertens.optimum {
		t.Run(fmt.Sprintf("visits of %d minutes", cycle), func(t *testing.T) {
			fewest := len(mertens.times) + 1
			for _, order := range orders {
				solved, err := obtain.Solved(mertens.treatment(order, cycle), []byte(`{"earliest_completion":1}`))
				if err != nil {
					t.Fatal(err)
				}
				var answer struct {
					Expected float64   `json:"expected_visits"`
					Complete []float64 `json:"complete"`
				}
				if err := json.Unmarshal(solved, &answer); err != nil {
					t.Fatal(err)
				}
				visits := 1
				for answer.Complete[visits-1] < .5 {
					visits++
				}
				if fit := mertens.firstFit(order, cycle); visits != fit || answer.Expected != float64(fit) {
					t.Errorf("order %v: complete by visit %d, %v visits expected; going as far as the time allows takes %d", order, visits, answer.Expected, fit)
				}
				fewest = min(fewest, visits)
			}
			if fewest != want {
				t.Errorf("best of %d orders: %d visits, published %d", len(orders), fewest, want)
			}
		})
	}
}
