package diary_test

import (
	"fmt"
	"math"
	"slices"
	"testing"
	"time"

	"github.com/visitwright/visitwright/scheduler/civil"
	"github.com/visitwright/visitwright/scheduler/diary"
)

// A tiny diary solved by hand and by enumeration: 12 cells a day, free cells of
// the clinician and of the room for six days, three visits of 3, 2 and 4 cells,
// 1 to 3 days and then 1 to 2 days apart. Three sequences of days are possible,
// with 38 sets of starts.
var tiny = struct{ clinician, room []string }{
	[]string{"000111111000", "111100001111", "000000000000", "111111000000", "110011111100", "000011110000"},
	[]string{"111111111111", "001111111100", "111111111111", "011111111111", "111111000111", "111111111111"},
}

func tinyDiary(t *testing.T) (*diary.Practice, civil.Date, []diary.Booking) {
	first := civil.MustDate("2026-06-01")
	p := &diary.Practice{
		Zone:       zone(t, "Europe/London"),
		Calendar:   civil.Calendar{Hours: civil.Always(everyDay(span(540, 600)))},
		Rooms:      []diary.Room{{ID: "R"}},
		Clinicians: []diary.Clinician{{ID: "C", Protocols: []string{"primary"}}},
	}
	var out []diary.Booking
	for kind, rows := range map[diary.Ref][]string{{Kind: diary.KindClinician, ID: "C"}: tiny.clinician, {Kind: diary.KindRoom, ID: "R"}: tiny.room} {
		for d, row := range rows {
			nine := p.Zone.Resolve(civil.LocalTime{Date: first.AddDays(d), Time: 540})
			for c, bit := range row {
				if bit == '0' {
					at := nine.Add(time.Duration(c) * 5 * time.Minute)
					in := civil.Interval{Start: at, End: at.Add(5 * time.Minute)}
					out = append(out, diary.Booking{ID: fmt.Sprint(kind, d, c), Chair: in, Holds: []diary.Hold{{Resource: kind, Time: in}}})
				}
			}
		}
	}
	return p, first, out
}

func TestTheTinyDiaryHasExactlyItsThreeSequencesOfDaysAndThirtyEightSets(t *testing.T) {
	p, first, bookings := tinyDiary(t)
	m, err := diary.Build(p, first, 6, 1, bookings)
	if err != nil {
		t.Fatal(err)
	}
	req := &diary.Request{Now: p.Zone.Day(first).Start, Best: 100, Weights: diary.Ordinary}
	for i, win := range []diary.Window{diary.AnyDay, {Earliest: 1, Target: diary.NoTarget, Latest: 3}, {Earliest: 1, Target: diary.NoTarget, Latest: 2}} {
		minutes := []int{15, 10, 20}[i]
		parts := []diary.Part{{Needs: diary.KindRoom, To: minutes}, {Needs: diary.KindClinician, To: minutes}}
		req.Visits = append(req.Visits, diary.Visit{Protocol: "primary", Minutes: minutes, Parts: parts, Window: win})
	}
	got, err := m.Search(req)
	if err != nil {
		t.Fatal(err)
	}
	seen := map[string]bool{}
	var days []string
	for _, o := range got.Offers {
		day, starts := "", ""
		for _, pl := range o.Places {
			day += fmt.Sprint(pl.Day.DaysSince(first) + 1)
			starts += pl.Local.String()
		}
		if seen[starts] {
			t.Errorf("%s is there twice", starts)
		}
		seen[starts] = true
		if !slices.Contains(days, day) {
			days = append(days, day)
		}
	}
	slices.Sort(days)
	if fmt.Sprint(days) != "[124 146 456]" || len(got.Offers) != 38 {
		t.Errorf("sequences of days %v with %d sets, want [124 146 456] with 38", days, len(got.Offers))
	}
	req.FirstAvailable = true
	soon, err := m.Search(req)
	if err != nil {
		t.Fatal(err)
	}
	if ps := soon.Offers[0].Places; ps[0].Day != first || ps[1].Day != first.AddDays(1) || ps[2].Day != first.AddDays(3) {
		t.Errorf("the first available set is on days 1, 2 and 4: got %v", ps)
	}
}

// Capacity for appointments of 15, 30, 45 and 60 minutes, and the two measures
// shown beside it.
func TestUsableCapacityAndTheMeasuresOfFragmentation(t *testing.T) {
	for _, row := range []struct {
		gaps          []int
		capacity      [4]int
		external, sum float64
	}{
		{[]int{60, 30, 15, 15}, [4]int{8, 3, 1, 1}, .5, 1.2130075660},
		{[]int{120}, [4]int{8, 4, 2, 2}, 0, 0},
		{[]int{60, 60}, [4]int{8, 4, 2, 2}, .5, .6931471806},
		{[]int{75, 45}, [4]int{8, 3, 2, 1}, .375, .6615632382},
		{[]int{40, 80}, [4]int{7, 3, 1, 1}, .3333333333, .6365141683},
		{nil, [4]int{}, 0, 0},
	} {
		for i, minutes := range []int{15, 30, 45, 60} {
			if got := diary.UsableCapacity(row.gaps, []diary.UsefulLength{{Minutes: minutes, Weight: 1}}); got != row.capacity[i] {
				t.Errorf("%v for %d minutes: capacity %d, want %d", row.gaps, minutes, got, row.capacity[i])
			}
		}
		if got := diary.ExternalFragmentation(row.gaps); math.Abs(got-row.external) > 1e-9 {
			t.Errorf("%v: external fragmentation %.10f, want %.10f", row.gaps, got, row.external)
		}
		if got := diary.GapEntropy(row.gaps); math.Abs(got-row.sum) > 1e-9 {
			t.Errorf("%v: entropy %.10f, want %.10f", row.gaps, got, row.sum)
		}
	}
}

func TestTwoHoursKeepTheirWorthWhenTheyAreCutInTheMiddle(t *testing.T) {
	lengths := []diary.UsefulLength{{Minutes: 30, Weight: 1}, {Minutes: 60, Weight: 2}}
	whole, halves, pieces := diary.UsableCapacity([]int{120}, lengths), diary.UsableCapacity([]int{60, 60}, lengths), diary.UsableCapacity([]int{60, 30, 15, 15}, lengths)
	if whole != halves || halves <= pieces {
		t.Errorf("120 is worth %d, 60+60 %d, 60+30+15+15 %d", whole, halves, pieces)
	}
}

func TestTheGapsOfADayAreReadOffItsMask(t *testing.T) {
	var m diary.Mask
	m.Set(10, 22) // 60 minutes
	m.Set(60, 66) // 30 minutes, across a word
	m.Set(317, 320)
	if got := fmt.Sprint(m.Gaps()); got != "[60 30 15]" {
		t.Errorf("gaps %s", got)
	}
}

func TestOfSetsThatCostTheSameTheEarlierComesFirst(t *testing.T) {
	p, first, bookings := tinyDiary(t)
	m, err := diary.Build(p, first, 6, 1, bookings)
	if err != nil {
		t.Fatal(err)
	}
	parts := []diary.Part{{Needs: diary.KindRoom, To: 15}, {Needs: diary.KindClinician, To: 15}}
	req := &diary.Request{Now: p.Zone.Day(first).Start, Best: 100} // no weights: everything costs the same
	for _, w := range []diary.Window{{Earliest: 0, Target: 5, Latest: 5}, {Earliest: 1, Target: 2, Latest: 4}} {
		req.Visits = append(req.Visits, diary.Visit{Protocol: "primary", Minutes: 15, Parts: parts, Window: w})
	}
	got, err := m.Search(req)
	if err != nil {
		t.Fatal(err)
	}
	var starts []string
	for _, o := range got.Offers {
		starts = append(starts, o.Places[0].Local.String()+" "+o.Places[1].Local.String())
	}
	if len(starts) < 10 || !slices.IsSorted(starts) {
		t.Errorf("%d sets, in order of time: %v", len(starts), slices.IsSorted(starts))
	}
}
