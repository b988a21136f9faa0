package diary_test

import (
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"github.com/visitwright/visitwright/scheduler/civil"
	"github.com/visitwright/visitwright/scheduler/diary"
)

func explain(t testing.TB, m *diary.Masks, r *diary.Request) diary.Explanation {
	t.Helper()
	if got := search(t, m, r); len(got) != 0 {
		t.Fatalf("there is an offer: %v", got[0].Places)
	}
	e, err := m.Explain(r)
	if err != nil {
		t.Fatal(err)
	}
	return e
}

func said(rs []diary.Relaxation) string {
	var out []string
	for _, r := range rs {
		who := ""
		if r.Clinician {
			who = " (clinician)"
		}
		out = append(out, fmt.Sprintf("%s %d%s: %s", r.Constraint, r.Amount, who, r.Text))
	}
	return strings.Join(out, "\n")
}

func TestWhenTheWindowIsFullTheAnswerSaysByHowManyDaysItWouldHaveToGrow(t *testing.T) {
	p := smallPractice(t)
	// Both clinicians are on a course from 8 to 24 June.
	var busy []diary.Booking
	for d := 7; d < 24; d++ {
		day := theFirst.AddDays(d).String()
		busy = append(busy, away(p, day, day+"T00:00", day+"T23:55", clinician("Amber"), clinician("Birch")))
	}
	req := asked(p, "2026-06-01T07:00", visit(90, diary.AnyDay), visit(60, diary.Window{Earliest: 10, Target: 14, Latest: 21}))
	req.Wishes.NotAfter = civil.MustDate("2026-06-25")
	req.Chosen = []diary.Place{search(t, built(t, p, 60), asked(p, "2026-06-01T07:00", visit(90, diary.AnyDay)))[0].Places[0]}
	e := explain(t, built(t, p, 60, busy...), req)
	want := "latest-day 3 (clinician): visit 2 3 days after its window\nearliest-day 6 (clinician): visit 2 6 days before its window"
	if got := said(e.Alone); got != want || e.Cause != diary.CauseBooked {
		t.Errorf("cause %s\n got %s\nwant %s", e.Cause, got, want)
	}
	if day := e.Alone[0].Offer.Places[0].Day; day != civil.MustDate("2026-06-25") {
		t.Errorf("three days later is %s", day)
	}
}

func TestTheWishThatBindsIsNamedAndWhatLessOfItGives(t *testing.T) {
	p := smallPractice(t)
	taken := away(p, "B", "2026-06-02T09:00", "2026-06-02T17:00", clinician("Amber"), clinician("Birch"))
	req := asked(p, "2026-06-01T07:00", visit(60, diary.AnyDay))
	req.Wishes = diary.Wishes{
		NotAfter: civil.MustDate("2026-06-05"),
		Suits:    []diary.Suit{{Days: diary.On(time.Tuesday), Span: span(780, 1020)}},
	}
	e := explain(t, built(t, p, 60, taken), req)
	want := "weekdays-that-suit 0: any weekday at the times that suit\nnot-after 4: 4 days later than asked"
	if got := said(e.Alone); got != want || e.Cause != diary.CauseBooked {
		t.Errorf("cause %s\n got %s\nwant %s", e.Cause, got, want)
	}
}

func TestAShorterVisitIsProposedOnlyAsTheClinicianSDecision(t *testing.T) {
	p := smallPractice(t)
	for i := range p.Clinicians {
		p.Clinicians[i].Own = &civil.Calendar{Hours: civil.Always(everyDay(span(540, 600)))}
	}
	req := asked(p, "2026-06-01T07:00", visit(75, diary.AnyDay))
	e := explain(t, built(t, p, 10), req)
	// An hour of the clinician, who is needed from the start on; preparation
	// before nine is not possible, so five minutes go to it.
	if got := said(e.Alone); got != "length 20 (clinician): visit 1 shorter by 20 minutes" || e.Cause != diary.CauseHours {
		t.Errorf("cause %s: %s", e.Cause, got)
	}
}

func TestWhatThePracticeLacksIsSaid(t *testing.T) {
	p := smallPractice(t)
	p.Units[0].Rooms = []string{"2"}
	one := visit(60, diary.AnyDay)
	one.Rooms = []string{"1"}
	re := visit(60, diary.AnyDay)
	re.Protocol, re.Clinicians = "retreatment", []string{"Birch"}
	laser := visit(60, diary.AnyDay)
	laser.Parts = append(laser.Parts, diary.Part{Needs: diary.KindUnit, Equipment: "laser", From: 0, To: 30})
	for _, row := range []struct {
		v    diary.Visit
		want string
	}{
		{one, "visit 1: no microscope can be used in a room that will do"},
		{re, "visit 1: none of the clinicians asked for does retreatment"},
		{laser, "visit 1: the practice has no laser"},
	} {
		e := explain(t, built(t, p, 10), asked(p, "2026-06-01T07:00", row.v))
		if e.Cause != diary.CauseMissing || strings.Join(e.Missing, "; ") != row.want {
			t.Errorf("%s %q, want %q", e.Cause, e.Missing, row.want)
		}
	}
}

func TestWhenNothingHelpsAloneWhatMustGoTogetherIsNamed(t *testing.T) {
	p := smallPractice(t)
	busy := []diary.Booking{
		away(p, "B1", "2026-06-01T09:00", "2026-06-01T17:00", clinician("Amber")),
		away(p, "B2", "2026-06-02T09:00", "2026-06-02T17:00", clinician("Amber"), clinician("Birch")),
	}
	v := visit(60, diary.AnyDay)
	v.Clinicians = []string{"Amber"}
	req := asked(p, "2026-06-01T07:00", v)
	req.Wishes.NotAfter = theFirst
	req.Patient = []civil.Interval{away(p, "own", "2026-06-01T08:00", "2026-06-01T18:00").Chair}
	e := explain(t, built(t, p, 2, busy...), req)
	if got := said(e.Together); len(e.Alone) != 0 || got != "patients-other-appointments 0: at the time of another appointment of this patient\nchosen-clinician 0: another clinician for visit 1" {
		t.Errorf("alone %q\ntogether %q", said(e.Alone), got)
	}
}

func TestEveryRelaxationLeadsToTheOfferThatItNames(t *testing.T) {
	explained := 0
	rapid.Check(t, func(t *rapid.T) {
		p, first, days, bookings := drawDiary(t)
		req := drawRequest(t, p, first, days)
		m, err := diary.Build(p, first, days, 1, bookings)
		if err != nil {
			t.Fatal(err)
		}
		got, err := m.Search(req)
		if err != nil {
			t.Fatal(err)
		}
		e, err := m.Explain(req)
		if err != nil {
			t.Fatal(err)
		}
		if len(got.Offers) > 0 {
			if e.Cause != "" || e.Alone != nil || e.Together != nil {
				t.Fatalf("explained although there is an offer: %+v", e)
			}
			return
		}
		empty, err := diary.Build(p, first, days, 1, nil)
		if err != nil {
			t.Fatal(err)
		}
		unbooked, err := empty.Search(req)
		if err != nil {
			t.Fatal(err)
		}
		if (e.Cause == diary.CauseBooked) != (len(unbooked.Offers) > 0) {
			t.Fatalf("cause %s, with no bookings there are %d offers", e.Cause, len(unbooked.Offers))
		}
		for _, r := range e.Alone {
			explained++
			if len(r.Offer.Places) != len(req.Visits) {
				t.Fatalf("%s leads to %d places for %d visits", r.Text, len(r.Offer.Places), len(req.Visits))
			}
			// One day less of a window must not help; one day more or all must.
			for _, less := range []int{0, 1} {
				again := *req
				again.Best = 1
				again.Visits = append([]diary.Visit(nil), req.Visits...)
				switch r.Constraint {
				case diary.GiveLater:
					again.Visits[r.Visit].Window.Latest += r.Amount - less
				case diary.GiveEarlier:
					again.Visits[r.Visit].Window.Earliest -= r.Amount - less
				case diary.GiveNotAfter:
					again.Wishes.NotAfter = again.Wishes.NotAfter.AddDays(r.Amount - less)
				default:
					continue
				}
				res, err := m.Search(&again)
				if err != nil || (len(res.Offers) > 0) != (less == 0) {
					t.Fatalf("%s, %d less: %d offers, %v", r.Text, less, len(res.Offers), err)
				}
			}
		}
	})
	if explained == 0 {
		t.Error("no relaxation was seen: the test no longer tests anything")
	}
}

func TestAPlacePickedByHandComesWithItsWarnings(t *testing.T) {
	p := smallPractice(t)
	p.Units[0].Rooms = []string{"2"}
	p.Calendar.Closures = []civil.Closure{{Days: civil.DateRange{First: theFirst.AddDays(3), Last: theFirst.AddDays(3)}, Reason: "painting"}}
	p.Reserves = []diary.Reserve{{Resource: clinician("Birch"), Hours: everyDay(span(540, 600))}}
	m := built(t, p, 30, away(p, "B1", "2026-06-10T10:00", "2026-06-10T10:20", clinician("Amber")))
	req := asked(p, "2026-06-01T08:30", visit(90, diary.AnyDay), visit(60, diary.Window{Earliest: 7, Target: 14, Latest: 21}))
	req.Visits[1].LowerBlocks = 2
	req.Chosen = search(t, m, asked(p, "2026-06-01T07:00", visit(90, diary.AnyDay)))[0].Places[:1]
	req.Continuity = diary.PreferSame
	req.Wishes.Suits = []diary.Suit{{Days: diary.On(time.Wednesday, time.Thursday), Span: span(540, 720)}}
	hand := func(local, who, where string) diary.ByHand {
		return diary.ByHand{Visit: 1, Local: civil.MustLocalTime(local), Clinician: who, Room: where, Nurse: "Oak", Units: []diary.UnitUse{{Kind: "microscope", ID: "M1"}}}
	}
	for _, row := range []struct {
		hand    diary.ByHand
		want    string
		refused bool
	}{
		{hand("2026-06-17T10:00", "Amber", "2"), "two-lower-blocks", false},
		{hand("2026-06-17T10:00", "Amber", "1"), "equipment-not-in-room two-lower-blocks", false},
		{hand("2026-06-10T10:00", "Amber", "2"), "two-lower-blocks taken", true},
		{hand("2026-06-04T10:00", "Amber", "2"), "two-lower-blocks before-window closed", true},
		{hand("2026-06-05T10:00", "Amber", "2"), "does-not-suit two-lower-blocks before-window", false},
		{hand("2026-06-25T10:00", "Amber", "2"), "two-lower-blocks after-window", false},
		{hand("2026-06-17T09:05", "Birch", "2"), "other-clinician two-lower-blocks reserve", false},
		{hand("2026-06-17T11:30", "Amber", "2"), "does-not-suit two-lower-blocks outside-hours", false},
		{hand("2026-07-15T10:00", "Amber", "2"), "two-lower-blocks after-window outside-diary", true},
		{hand("2026-06-17T10:03", "Amber", "2"), "off-grid", true},
		{hand("2026-05-28T10:00", "Amber", "2"), "in-the-past two-lower-blocks before-window outside-diary", true},
	} {
		place, warnings, err := m.PlaceByHand(req, row.hand)
		if err != nil {
			t.Fatal(err)
		}
		var codes []string
		refused := false
		for _, w := range warnings {
			if n := len(codes); n == 0 || codes[n-1] != string(w.Code) {
				codes = append(codes, string(w.Code))
			}
			refused = refused || w.Refused
			if w.Text == "" {
				t.Errorf("%s says nothing", w.Code)
			}
			if (w.Code == diary.WarnTooSoon || w.Code == diary.WarnTooLate) && !w.Refused && !w.Clinician {
				t.Errorf("%s: only a clinician overrides a window", w.Code)
			}
		}
		if got := strings.Join(codes, " "); got != row.want || refused != row.refused {
			t.Errorf("%s %s room %s: %q refused %v, want %q refused %v", row.hand.Local, row.hand.Clinician, row.hand.Room, got, refused, row.want, row.refused)
		}
		if refused == (len(place.Holds) > 0) {
			t.Errorf("%s: a place is given exactly when nothing refuses it", row.hand.Local)
		}
	}
}

func TestAPlacePickedByHandNeedsPeopleAndThingsThatExist(t *testing.T) {
	p := smallPractice(t)
	m := built(t, p, 30)
	req := asked(p, "2026-06-01T07:00", visit(60, diary.AnyDay))
	good := diary.ByHand{Local: civil.MustLocalTime("2026-06-02T10:00"), Clinician: "Amber", Room: "2", Nurse: "Oak", Units: []diary.UnitUse{{Kind: "microscope", ID: "M1"}}}
	if _, w, err := m.PlaceByHand(req, good); err != nil || len(w) != 0 {
		t.Fatalf("%v %v", w, err)
	}
	for name, change := range map[string]func(*diary.ByHand){
		"clinician": func(h *diary.ByHand) { h.Clinician = "Cedar" },
		"room":      func(h *diary.ByHand) { h.Room = "attic" },
		"nurse":     func(h *diary.ByHand) { h.Nurse = "" },
		"units":     func(h *diary.ByHand) { h.Units = nil },
		"equipment": func(h *diary.ByHand) { h.Units = []diary.UnitUse{{Kind: "microscope", ID: "M9"}} },
		"visit":     func(h *diary.ByHand) { h.Visit = 1 },
	} {
		h := good
		change(&h)
		var wrong *diary.FieldError
		if _, _, err := m.PlaceByHand(req, h); !errors.As(err, &wrong) || wrong.Field != name {
			t.Errorf("%s: %v", name, err)
		}
	}
}
