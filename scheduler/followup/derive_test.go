package followup

import (
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"github.com/visitwright/visitwright/planner/recall"
	"github.com/visitwright/visitwright/scheduler/civil"
)

func practice() civil.Calendar {
	var week civil.Week
	for day := time.Monday; day <= time.Friday; day++ {
		week[day] = []civil.Span{{From: 8 * 60, To: 17 * 60}}
	}
	return civil.Calendar{Hours: civil.Always(civil.EveryWeek(week))}
}

func derive(t testing.TB, c Case, today string) []FollowUp {
	t.Helper()
	list, err := Derive(c, practice(), civil.MustDate(today))
	if err != nil {
		t.Fatal(err)
	}
	return list
}

func dressed() Case {
	return Case{Open: &Open{
		Since: civil.MustDate("2026-03-02"), EarliestDays: 7, TargetDays: 14, LatestDays: 28,
		OpensBecause: "calcium hydroxide needs 7 days", ClosesBecause: "the dressing is renewed after 28 days",
		PastLatest: []Change{{28, "renew the dressing"}, {90, "clean again and take longer"}},
	}}
}

func TestADressedToothIsDueAtOnceAndBookedInsideItsWindow(t *testing.T) {
	c := dressed()
	f := derive(t, c, "2026-03-02")[0]
	if f.Kind != ReturnVisit || f.State != Due || f.Earliest != civil.MustDate("2026-03-09") || f.Latest != civil.MustDate("2026-03-30") {
		t.Fatalf("%+v", f)
	}
	c.Booked = []Appointment{{civil.MustDate("2026-03-16"), ForTreatment}}
	if f := derive(t, c, "2026-03-02")[0]; f.State != Booked {
		t.Errorf("booked inside the window: %s", f.State)
	}
	c.Booked = []Appointment{{civil.MustDate("2026-04-16"), ForTreatment}}
	if f := derive(t, c, "2026-03-02")[0]; f.State != Outside {
		t.Errorf("booked after the window: %s", f.State)
	}
}

func TestPastTheLatestDayThePlanChanges(t *testing.T) {
	f := derive(t, dressed(), "2026-03-31")[0]
	if f.State != Overdue || f.Replan != "renew the dressing" || f.Actor != Clinician {
		t.Errorf("%+v", f)
	}
	if f := derive(t, dressed(), "2026-06-20")[0]; f.Replan != "clean again and take longer" {
		t.Errorf("%+v", f)
	}
}

func TestPainWaivesTheMinimum(t *testing.T) {
	c := dressed()
	c.Open.Urgent = true
	if f := derive(t, c, "2026-03-03")[0]; f.Earliest != civil.MustDate("2026-03-03") || f.State != Due {
		t.Errorf("%+v", f)
	}
}

func TestAClosedCaseHasNothingDue(t *testing.T) {
	c := dressed()
	c.Closed = true
	if list := derive(t, c, "2026-06-20"); len(list) != 0 {
		t.Errorf("%+v", list)
	}
}

func TestFilledOnTheLastOfAugustIsReviewedOnWorkingDaysOfMonthEnds(t *testing.T) {
	calendar, err := recall.Find("root-filling")
	if err != nil {
		t.Fatal(err)
	}
	c := Case{
		Filled:  &Filled{On: civil.MustDate("2026-08-31"), Core: civil.MustDate("2026-08-31"), Needs: Coverage},
		Reviews: &Reviews{Calendar: calendar, Anchor: civil.MustDate("2026-08-31")},
	}
	list := derive(t, c, "2026-09-01")
	// 28 February 2027 is a Sunday.
	if list[1].Kind != Review || list[1].Target != civil.MustDate("2027-03-01") {
		t.Errorf("six months: %+v", list[1])
	}
	healed, _ := recall.Judge(recall.Finding{IndexBefore: 4, IndexNow: 2})
	c.Reviews.Held = []recall.Held{{Review: 0, Judgement: healed}}
	c.Filled.RestoredOn = civil.MustDate("2026-10-01")
	list = derive(t, c, "2027-03-02")
	if len(list) != 1 || list[0].Target != civil.MustDate("2027-08-31") {
		t.Errorf("healed at six months is seen at twelve: %+v", list)
	}
}

func TestACrownThatTheReferrerOwesIsChasedWithTheReferrer(t *testing.T) {
	c := Case{Filled: &Filled{On: civil.MustDate("2026-01-05"), Core: civil.MustDate("2026-01-05"), Needs: Coverage, ByReferrer: true}}
	f := derive(t, c, "2026-03-10")[0]
	if f.Kind != Restoration || f.Actor != Referrer || f.State != Overdue || f.Replan == "" {
		t.Errorf("%+v", f)
	}
	c.Filled.RestoredOn = civil.MustDate("2026-03-11")
	if list := derive(t, c, "2026-03-12"); len(list) != 0 {
		t.Errorf("reported restored: %+v", list)
	}
}

func TestPuttingOffMovesTheAskingAndNoClinicalBound(t *testing.T) {
	c := dressed()
	before := derive(t, c, "2026-03-03")[0]
	c.PutOff = map[string]PutOff{before.Key: {Until: civil.MustDate("2026-03-10"), Reason: "patient abroad"}}
	after := derive(t, c, "2026-03-03")[0]
	if after.State != Ahead || after.Latest != before.Latest || after.ActOn != civil.MustDate("2026-03-10") {
		t.Errorf("%+v", after)
	}
}

func TestTwoMissedAppointmentsBringTheClinicianIn(t *testing.T) {
	c := dressed()
	c.Missed = 2
	if f := derive(t, c, "2026-03-20")[0]; f.Actor != Clinician {
		t.Errorf("%+v", f)
	}
}

func TestEveryLimitAndLengthSaysWhereItComesFrom(t *testing.T) {
	l, err := limits()
	if err != nil {
		t.Fatal(err)
	}
	s, err := stops()
	if err != nil {
		t.Fatal(err)
	}
	visits, err := lengths()
	if err != nil {
		t.Fatal(err)
	}
	figures := []Figure{l.Core.Target, l.Core.Latest, l.Coverage.Target, l.Coverage.Latest, *l.Coverage.Flag, l.Bonded.Target, l.Bonded.Latest, s.Decide}
	for _, v := range visits {
		figures = append(figures, v.Minutes)
	}
	for _, f := range figures {
		if err := f.Mark.Validate(); err != nil {
			t.Error(err)
		}
	}
}

// What is stored between looks equals what would be computed each day: nothing
// changes before NextLook but by an event.
func TestNothingChangesBeforeTheNextLook(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := dressed()
		c.Open.EarliestDays = rapid.IntRange(0, 10).Draw(t, "earliest")
		c.Open.TargetDays = c.Open.EarliestDays + rapid.IntRange(0, 10).Draw(t, "to target")
		c.Open.LatestDays = c.Open.TargetDays + rapid.IntRange(0, 20).Draw(t, "to latest")
		c.Open.PastLatest[0].AfterDays = c.Open.LatestDays
		today := c.Open.Since.AddDays(rapid.IntRange(0, 60).Draw(t, "today"))
		now, err := Derive(c, practice(), today)
		if err != nil {
			t.Fatal(err)
		}
		look := NextLook(c, now, today)
		for d := today; look.IsZero() && d.DaysSince(today) < 200 || d.Before(look); d = d.AddDays(1) {
			then, err := Derive(c, practice(), d)
			if err != nil || then[0] != now[0] {
				t.Fatalf("on %s: %+v, on %s: %+v (%v)", today, now[0], d, then[0], err)
			}
		}
	})
}

// Every date put off by whole weeks, so that working days stay working days, puts
// everything that falls due off by as many.
func TestShiftingEveryDateShiftsWhatFallsDue(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := dressed()
		c.Open.Urgent = rapid.Bool().Draw(t, "urgent")
		c.Open.EarliestDays = rapid.IntRange(0, 10).Draw(t, "earliest")
		c.Open.TargetDays = c.Open.EarliestDays + rapid.IntRange(0, 10).Draw(t, "to target")
		c.Open.LatestDays = c.Open.TargetDays + rapid.IntRange(0, 20).Draw(t, "to latest")
		today := c.Open.Since.AddDays(rapid.IntRange(0, 120).Draw(t, "today"))
		if rapid.Bool().Draw(t, "is booked") {
			c.Booked = []Appointment{{today.AddDays(rapid.IntRange(0, 40).Draw(t, "booked")), ForTreatment}}
		}
		put := 7 * rapid.IntRange(-200, 200).Draw(t, "weeks")
		later, open := c, *c.Open
		open.Since = open.Since.AddDays(put)
		later.Open, later.Booked = &open, nil
		for _, b := range c.Booked {
			later.Booked = append(later.Booked, Appointment{b.On.AddDays(put), b.Purpose})
		}
		now, err := Derive(c, practice(), today)
		if err != nil {
			t.Fatal(err)
		}
		then, err := Derive(later, practice(), today.AddDays(put))
		if err != nil || len(then) != len(now) {
			t.Fatalf("%d follow-ups became %d (%v)", len(now), len(then), err)
		}
		for i, f := range now {
			for _, d := range []*civil.Date{&f.Earliest, &f.Target, &f.Latest, &f.ActOn} {
				if !d.IsZero() {
					*d = d.AddDays(put)
				}
			}
			f.Key = then[i].Key // names its cause by the day
			if then[i] != f {
				t.Fatalf("put off by %d days:\n%+v became\n%+v", put, f, then[i])
			}
		}
	})
}

func TestABookingThatIsTooShortForTheNewestPlanIsToldAtOnceAndEndsWithIt(t *testing.T) {
	today := civil.MustDate("2026-03-03")
	c := Case{Short: []Short{{ID: "a1", On: civil.MustDate("2026-03-20"), Booked: 45, Needed: 75}}}
	list, err := Derive(c, practice(), today)
	if err != nil || len(list) != 1 {
		t.Fatalf("%v, %v", list, err)
	}
	if f := list[0]; f.Kind != Booking || f.State != Due || f.Actor != Reception || f.ActOn != today || !strings.Contains(f.Reason, "45 minutes are booked and the newest plan asks for 75") {
		t.Errorf("told as %+v", f)
	}
	c.PutOff = map[string]PutOff{list[0].Key: {Until: civil.MustDate("2026-03-06")}}
	if list, err = Derive(c, practice(), today); err != nil || list[0].State != Ahead {
		t.Errorf("put off until Friday it is %v (%v)", list, err)
	}
	c.PutOff, c.Short = nil, nil
	if list, err = Derive(c, practice(), today); err != nil || len(list) != 0 {
		t.Errorf("once it is long enough: %v (%v)", list, err)
	}
}
