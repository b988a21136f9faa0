package diary_test

import (
	"fmt"
	"testing"

	"github.com/visitwright/visitwright/scheduler/civil"
	"github.com/visitwright/visitwright/scheduler/diary"
)

// threeVisits books a plan of three visits at 09:05 on the days given, counted
// from 1 June 2026, with visit 2 7 to 14 and visit 3 7 to 21 days after the one
// before; it returns the masks with all of them in the diary.
func threeVisits(t *testing.T, days ...int) (*diary.Masks, *diary.Request, []diary.Place) {
	p := smallPractice(t)
	req := asked(p, "2026-06-01T07:00", visit(60, diary.AnyDay), visit(60, diary.Window{Earliest: 7, Target: 10, Latest: 14}), visit(45, diary.Window{Earliest: 7, Target: 14, Latest: 21}))
	m := built(t, p, 90)
	var places []diary.Place
	for v, d := range days {
		free := asked(p, "2026-06-01T07:00", diary.Visit{Protocol: "primary-treatment", Minutes: req.Visits[v].Minutes, Parts: req.Visits[v].Parts, Window: diary.AnyDay})
		free.Wishes.NotBefore, free.Wishes.NotAfter = theFirst.AddDays(d), theFirst.AddDays(d)
		free.FirstAvailable = true
		got := search(t, m, free)
		if len(got) == 0 {
			t.Fatalf("day %d is closed", d)
		}
		places = append(places, got[0].Places[0])
		var err error
		if m, err = m.With(diary.Change{Version: int64(v + 2), Made: []diary.Booking{got[0].Places[0].Booking(fmt.Sprint("visit ", v+1))}}); err != nil {
			t.Fatal(err)
		}
	}
	return m, req, places
}

func afterMove(t *testing.T, m *diary.Masks, req *diary.Request, places []diary.Place) diary.Moved {
	t.Helper()
	got, err := m.AfterMove(req, places)
	if err != nil {
		t.Fatal(err)
	}
	return got
}

func TestAMoveThatKeepsEveryWindowAsksForNothing(t *testing.T) {
	m, req, places := threeVisits(t, 1, 10, 24)
	got := afterMove(t, m, req, places)
	if got.Repair != nil || got.Why != nil || len(got.Effects) != 2 || got.Effects[0].Off != 0 || got.Effects[1].Off != 0 {
		t.Errorf("%+v", got)
	}
	if s := got.Effects[0].Text; s != "visit 2 stays inside its window, 9 days later" {
		t.Errorf("%q", s)
	}
}

func TestAMovedVisitOneIsRepairedByMovingVisitTwoAloneWhereVisitThreeCanStay(t *testing.T) {
	// Visit 1 is now on day 8, so that day 10 is too soon for visit 2; visit 3
	// on day 29 can stay.
	m, req, places := threeVisits(t, 8, 10, 29)
	got := afterMove(t, m, req, places)
	if got.Effects[0].Off != -5 || got.Effects[0].Text != "visit 2 is 5 days before its window, which begins on 2026-06-16" {
		t.Errorf("%+v", got.Effects[0])
	}
	if got.Repair == nil || fmt.Sprint(got.Replaced) != "[1]" {
		t.Fatalf("%+v", got)
	}
	day := got.Repair.Places[0].Day
	if gap := day.DaysSince(places[0].Day); gap < 7 || gap > 14 {
		t.Errorf("visit 2 would be %d days after visit 1", gap)
	}
	if gap := places[2].Day.DaysSince(day); gap < 7 || gap > 21 {
		t.Errorf("visit 3 would be %d days after visit 2", gap)
	}
	if day != theFirst.AddDays(18) { // the target: ten days after visit 1
		t.Errorf("visit 2 would be on %s", day)
	}
}

func TestAMoveThatBreaksTheWholePlanIsRepairedAsOneAction(t *testing.T) {
	// Visit 1 is now on day 22, after visit 2 and two days before visit 3.
	m, req, places := threeVisits(t, 22, 10, 24)
	got := afterMove(t, m, req, places)
	if e := got.Effects[0]; !e.Order || e.Off != -19 {
		t.Errorf("%+v", e)
	}
	if got.Repair == nil || fmt.Sprint(got.Replaced) != "[1 2]" || len(got.Repair.Places) != 2 {
		t.Fatalf("%+v", got)
	}
	two, three := got.Repair.Places[0], got.Repair.Places[1]
	if gap := two.Day.DaysSince(places[0].Day); gap < 7 || gap > 14 {
		t.Errorf("visit 2 would be %d days after visit 1", gap)
	}
	if gap := three.Day.DaysSince(two.Day); gap < 7 || gap > 21 {
		t.Errorf("visit 3 would be %d days after visit 2", gap)
	}
}

func TestWhenNoRepairExistsTheAnswerSaysWhatBinds(t *testing.T) {
	m, req, places := threeVisits(t, 8, 10, 29)
	req.Wishes.NotAfter = civil.MustDate("2026-06-12")
	got := afterMove(t, m, req, places)
	if got.Repair != nil || got.Why == nil || len(got.Why.Alone) == 0 || got.Why.Alone[0].Constraint != diary.GiveNotAfter {
		t.Errorf("%+v", got)
	}
	if _, err := m.AfterMove(req, places[:2]); err == nil {
		t.Error("two places for three visits were taken")
	}
}

func TestARepairIsFoundTooWhereTheMasksKnowOnlyWhatIsTaken(t *testing.T) {
	m, req, places := threeVisits(t, 22, 10, 24)
	want := afterMove(t, m, req, places)
	// One run of taken time in place of each visit's own holds.
	var taken []diary.Booking
	for _, p := range places {
		for _, h := range p.Holds {
			from, to := h.Time, h.Time
			from.End = from.Start.Add(from.End.Sub(from.Start) / 2)
			to.Start = from.End
			taken = append(taken, diary.Booking{ID: "run", Chair: from, Holds: []diary.Hold{{Resource: h.Resource, Time: from}}},
				diary.Booking{ID: "run", Chair: to, Holds: []diary.Hold{{Resource: h.Resource, Time: to}}})
		}
	}
	runs := built(t, m.Practice(), 90, taken...)
	got := afterMove(t, runs, req, places)
	if fmt.Sprint(got.Repair.Places) != fmt.Sprint(want.Repair.Places) {
		t.Errorf("got %v\nwant %v", got.Repair.Places, want.Repair.Places)
	}
}
