package check

import (
	"math"
	"testing"
)

// steady is a treatment without chance: three stages, two canals, every minute
// fixed. What the sampler does with it can be followed by hand.
const steady = `{
 "protocol":"by-hand","tooth":"46",
 "canals":{"p":[0,0,1],"expected":2,"names":["M","D"]},
 "factor":{"case_log_sd":0,"visit_log_sd":0},
 "start":{"once":[{"id":"numb","median":10,"log_sd":0,"scaled":false}],"per_canal":null,"events":null,"contact":0,"overlaps":null},
 "stages":[
  {"id":"access","locates":true,"discovery":0,"stop_after_canal":false,"fills":false,
   "work":{"once":[{"id":"open","median":8,"log_sd":0,"scaled":true}],"per_canal":null,"events":null,"contact":0,"overlaps":null}},
  {"id":"shape","locates":false,"discovery":0,"stop_after_canal":true,"fills":false,
   "work":{"once":null,"per_canal":[{"id":"shape","medians":[6,4],"log_sd":0,"scaled":true}],"events":null,"contact":5,"overlaps":["shape"]}},
  {"id":"fill","locates":false,"discovery":0,"stop_after_canal":false,"fills":true,
   "work":{"once":null,"per_canal":[{"id":"fill","medians":[5,5],"log_sd":0,"scaled":true}],"events":null,"contact":0,"overlaps":null},
   "gate":{"first_visit":1,"after_dress":1,"check":{"median":1,"log_sd":0,"scaled":false}}}],
 "stops":[
  {"id":"unopened","allowed":false,"end":{"once":null,"per_canal":null,"events":null,"contact":0,"overlaps":null},"resume":{"once":null,"per_canal":null,"events":null,"contact":0,"overlaps":null}},
  {"id":"opened","allowed":true,"end":{"once":[{"id":"dress","median":3,"log_sd":0,"scaled":false}],"per_canal":null,"events":null,"contact":0,"overlaps":null},"resume":{"once":[{"id":"reopen","median":2,"log_sd":0,"scaled":false}],"per_canal":null,"events":null,"contact":0,"overlaps":null}},
  {"id":"shaped","allowed":true,"end":{"once":[{"id":"dress","median":3,"log_sd":0,"scaled":false}],"per_canal":null,"events":null,"contact":0,"overlaps":null},"resume":{"once":[{"id":"reopen","median":2,"log_sd":0,"scaled":false}],"per_canal":null,"events":null,"contact":0,"overlaps":null}},
  {"id":"filled","allowed":true,"end":{"once":[{"id":"film","median":4,"log_sd":0,"scaled":false}],"per_canal":null,"events":null,"contact":0,"overlaps":null},"resume":{"once":null,"per_canal":null,"events":null,"contact":0,"overlaps":null}}],
 "cost":{"work":1,"overrun":2,"idle":1,"visit":30,"unused":20},
 "grid":{"least":15,"most":120,"step":5},
 "bear":{"minutes":0,"chance":0},
 "horizon":3,"cap":240,"clock":"nearest-minute"}`

func TestTheSamplerFollowsATreatmentWithoutChanceAsOneWouldByHand(t *testing.T) {
	treatment, err := ReadTreatment([]byte(steady))
	if err != nil {
		t.Fatal(err)
	}
	lengths := func(list ...int) map[Beginning]int {
		m := map[Beginning]int{}
		for i, l := range list {
			for _, at := range []Standing{{}, {1, 0, 2}, {1, 1, 2}, {2, 0, 2}} {
				m[Beginning{i + 1, at}] = l
			}
		}
		return m
	}
	rows := func(list ...[5]int) map[Row]int { // visit, stage, canal, found, least
		m := map[Row]int{}
		for v := 1; v <= 3; v++ {
			for _, at := range []Standing{{1, 0, 2}, {1, 1, 2}, {2, 0, 2}} {
				m[Row{Visit: v, State: at}] = never
			}
		}
		for _, r := range list {
			m[Row{Visit: r[0], State: Standing{r[1], r[2], r[3]}}] = r[4]
		}
		return m
	}
	for _, c := range []struct {
		name    string
		booking Booking
		minutes []float64
	}{
		{
			// numb 10, open 8, shape 6 and 4 but contact 5 in each portion, check 1, fill 10, film 4
			name: "time enough: one visit",
			booking: Booking{FillFrom: 1, Lengths: lengths(60),
				Rows: rows([5]int{1, 1, 0, 2, 20}, [5]int{1, 1, 1, 2, 20}, [5]int{1, 2, 0, 2, 20})},
			minutes: []float64{10 + 8 + 6 + 5 + 1 + 10 + 4},
		},
		{
			// 30 booked, 18 used after access: 12 left, 13 asked for
			name: "a minute short of the table: dress after access",
			booking: Booking{FillFrom: 1, Lengths: lengths(30, 60),
				Rows: rows([5]int{1, 1, 0, 2, 13}, [5]int{2, 1, 1, 2, 1}, [5]int{2, 2, 0, 2, 1})},
			minutes: []float64{10 + 8 + 3, 10 + 2 + 6 + 5 + 1 + 10 + 4},
		},
		{
			name: "as many minutes left as the table asks: go on",
			booking: Booking{FillFrom: 1, Lengths: lengths(30, 60),
				Rows: rows([5]int{1, 1, 0, 2, 12}, [5]int{2, 1, 1, 2, 1}, [5]int{2, 2, 0, 2, 1})},
			minutes: []float64{10 + 8 + 6 + 3, 10 + 2 + 5 + 1 + 10 + 4},
		},
		{
			name: "two visits asked for: dressed when shaped, though there is time",
			booking: Booking{FillFrom: 2, Lengths: lengths(60, 60),
				Rows: rows([5]int{1, 1, 0, 2, 0}, [5]int{1, 1, 1, 2, 0}, [5]int{1, 2, 0, 2, 0})},
			minutes: []float64{10 + 8 + 6 + 5 + 3, 10 + 2 + 1 + 10 + 4},
		},
	} {
		t.Run(c.name, func(t *testing.T) {
			course, err := newDraw(1).run(treatment, &c.booking)
			if err != nil {
				t.Fatal(err)
			}
			if len(course.Visits) != len(c.minutes) || course.Complete != len(c.minutes) {
				t.Fatalf("%d visits, complete in %d; want %v", len(course.Visits), course.Complete, c.minutes)
			}
			for i, want := range c.minutes {
				if got := course.Visits[i].Minutes; math.Abs(got-want) > 1e-9 {
					t.Errorf("visit %d takes %v minutes, want %v", i+1, got, want)
				}
			}
		})
	}
}

func TestTheSamplerRefusesAFieldThatItDoesNotSimulate(t *testing.T) {
	if _, err := ReadTreatment([]byte(`{"surprise":1}`)); err == nil {
		t.Error("a model with an unknown field was read")
	}
}
