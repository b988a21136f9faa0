package diary_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/visitwright/visitwright/scheduler/civil"
	"github.com/visitwright/visitwright/scheduler/diary"
)

// smallPractice has two of everything but one microscope, open 09:00-12:00 and
// 13:00-17:00 from Monday to Friday.
func smallPractice(t testing.TB) *diary.Practice {
	var week civil.Week
	for d := time.Monday; d <= time.Friday; d++ {
		week[d] = []civil.Span{span(540, 720), span(780, 1020)}
	}
	return &diary.Practice{
		Zone:     zone(t, "Europe/London"),
		Calendar: civil.Calendar{Hours: civil.Always(civil.EveryWeek(week))},
		Rooms:    []diary.Room{{ID: "1"}, {ID: "2"}},
		Clinicians: []diary.Clinician{
			{ID: "Amber", Protocols: []string{"primary-treatment", "retreatment", "emergency-relief"}},
			{ID: "Birch", Protocols: []string{"primary-treatment", "emergency-relief"}},
		},
		Nurses: []diary.Nurse{{ID: "Nettle"}, {ID: "Oak"}},
		Units:  []diary.Unit{{ID: "M1", Kind: "microscope"}},
		Useful: []diary.UsefulLength{{Minutes: 30, Weight: 1}, {Minutes: 60, Weight: 2}},
	}
}

var theFirst = civil.MustDate("2026-06-01") // a Monday

func built(t testing.TB, p *diary.Practice, days int, bookings ...diary.Booking) *diary.Masks {
	t.Helper()
	m, err := diary.Build(p, theFirst, days, 1, bookings)
	if err != nil {
		t.Fatal(err)
	}
	return m
}

func room(id string) diary.Ref      { return diary.Ref{Kind: diary.KindRoom, ID: id} }
func clinician(id string) diary.Ref { return diary.Ref{Kind: diary.KindClinician, ID: id} }
func unit(id string) diary.Ref      { return diary.Ref{Kind: diary.KindUnit, ID: id} }

// away is a booking that takes a clinician from one time to another.
func away(p *diary.Practice, id, from, to string, refs ...diary.Ref) diary.Booking {
	a, b := p.Zone.Resolve(civil.MustLocalTime(from)), p.Zone.Resolve(civil.MustLocalTime(to))
	return booked(p, id, from, int(b.Sub(a)/time.Minute), refs...)
}

var withMicroscope = diary.Manner{Prepare: 5, CleanUp: 10, NurseFrom: 10, NurseTo: 10, OnsetFrom: 5, OnsetTo: 15, Equipment: []diary.Use{{Kind: "microscope", From: 20}}}

func visit(minutes int, w diary.Window) diary.Visit {
	return diary.Visit{Protocol: "primary-treatment", Minutes: minutes, Parts: withMicroscope.Parts(minutes), Window: w}
}

func asked(p *diary.Practice, local string, visits ...diary.Visit) *diary.Request {
	return &diary.Request{Now: p.Zone.Resolve(civil.MustLocalTime(local)), Visits: visits, Best: 5, Weights: diary.Ordinary}
}

func search(t testing.TB, m *diary.Masks, r *diary.Request) []diary.Offer {
	t.Helper()
	got, err := m.Search(r)
	if err != nil {
		t.Fatal(err)
	}
	return got.Offers
}

func TestAVisitHoldsEachResourceOnlyForThePartThatNeedsIt(t *testing.T) {
	p := smallPractice(t)
	offers := search(t, built(t, p, 5), asked(p, "2026-06-01T07:00", visit(60, diary.AnyDay)))
	if len(offers) == 0 {
		t.Fatal("an empty diary has no offer")
	}
	place := offers[0].Places[0]
	var got []string
	for _, h := range place.Holds {
		minutes := func(at time.Time) int { return int(at.Sub(place.Chair.Start) / time.Minute) }
		got = append(got, fmt.Sprintf("%s %d..%d", h.Resource.Kind, minutes(h.Time.Start), minutes(h.Time.End)))
	}
	want := "room -5..70, clinician 0..5, clinician 15..60, nurse -5..10, nurse 50..70, equipment 20..60"
	if s := strings.Join(got, ", "); s != want {
		t.Errorf("holds %s\nwant  %s", s, want)
	}
}

func TestTheClinicianStartsTheNextPatientWhileTheFirstGoesNumb(t *testing.T) {
	p := smallPractice(t)
	// Amber is free only for minutes 0-5 and 15-60 of a visit at 09:05.
	gap := away(p, "B1", "2026-06-01T09:10", "2026-06-01T09:20", clinician("Amber"))
	rest := away(p, "B2", "2026-06-01T10:05", "2026-06-01T12:00", clinician("Amber"))
	req := asked(p, "2026-06-01T07:00", visit(60, diary.AnyDay))
	req.Visits[0].Clinicians = []string{"Amber"}
	req.Wishes.NotAfter = theFirst
	for _, o := range search(t, built(t, p, 1, gap, rest), req) {
		if at := o.Places[0].Local.Time.String(); at == "09:05" {
			return
		}
	}
	t.Error("09:05 was not offered: the clinician is busy only while the anaesthetic takes effect")
}

func TestTheOneMicroscopeIsSharedByTwoVisitsThatNeedItOneAfterTheOther(t *testing.T) {
	p := smallPractice(t)
	inUse := away(p, "B1", "2026-06-01T09:00", "2026-06-01T11:00", unit("M1"))
	for _, o := range search(t, built(t, p, 1, inUse), asked(p, "2026-06-01T07:00", visit(60, diary.AnyDay))) {
		for _, h := range o.Places[0].Holds {
			if h.Resource.Kind == diary.KindUnit && h.Time.Overlaps(inUse.Chair) {
				t.Errorf("%s takes the microscope while it is in use", o.Places[0])
			}
		}
		if start := o.Places[0].Local.Time; start < civil.MustTimeOfDay("10:40") {
			t.Errorf("%s: before 10:40 the microscope is not free from access on", o.Places[0])
		}
	}
}

func TestTheSecondVisitIsOfferedInsideItsReturnWindowWithTheSameClinician(t *testing.T) {
	p := smallPractice(t)
	req := asked(p, "2026-06-01T07:00", visit(90, diary.AnyDay), visit(60, diary.Window{Earliest: 7, Target: 14, Latest: 21}))
	req.Continuity = diary.RequireSame
	offers := search(t, built(t, p, 60), req)
	if len(offers) != 5 {
		t.Fatalf("%d offers", len(offers))
	}
	for _, o := range offers {
		if days := o.Places[1].Day.DaysSince(o.Places[0].Day); days < 7 || days > 21 {
			t.Errorf("%d days apart", days)
		}
		if o.Places[0].Clinician != o.Places[1].Clinician {
			t.Errorf("two clinicians: %v", o.Places)
		}
	}
	best := offers[0]
	if best.Places[0].Day != theFirst || best.Places[1].Day != theFirst.AddDays(14) {
		t.Errorf("the best set is today and the target day: %v", best.Places)
	}
	var reasons []string
	for _, r := range best.Reasons {
		reasons = append(reasons, r.Text)
	}
	want := "first visit today; visit 2 on its target day; the same clinician throughout"
	if s := strings.Join(reasons, "; "); !strings.HasPrefix(s, want) {
		t.Errorf("reasons %q, want %q", s, want)
	}
}

func TestWhenVisitOneIsChosenVisitTwoIsSoughtAroundIt(t *testing.T) {
	p := smallPractice(t)
	m := built(t, p, 60)
	req := asked(p, "2026-06-01T07:00", visit(90, diary.AnyDay), visit(60, diary.Window{Earliest: 7, Target: 14, Latest: 21}))
	req.Chosen = search(t, m, req)[2].Places[:1]
	offers := search(t, m, req)
	for _, o := range offers {
		if len(o.Places) != 1 || o.Places[0].Visit != 1 || o.Places[0].Days < 7 || o.Places[0].Days > 21 {
			t.Errorf("%+v", o)
		}
	}
	if len(offers) != 5 || offers[0].Places[0].Days != 14 {
		t.Errorf("%d offers, the first after %d days", len(offers), offers[0].Places[0].Days)
	}
}

func TestWishesAreKept(t *testing.T) {
	p := smallPractice(t)
	req := asked(p, "2026-06-01T07:00", visit(60, diary.AnyDay))
	req.Best = 100
	req.Wishes = diary.Wishes{
		NotBefore: civil.MustDate("2026-06-03"), NotAfter: civil.MustDate("2026-06-19"),
		Suits: []diary.Suit{{Days: diary.On(time.Tuesday, time.Thursday), Span: span(780, 870)}},
		Not:   []civil.DateRange{{First: civil.MustDate("2026-06-09"), Last: civil.MustDate("2026-06-10")}},
	}
	days := map[string]bool{}
	for _, o := range search(t, built(t, p, 60), req) {
		pl := o.Places[0]
		days[pl.Day.String()] = true
		if pl.Local.Time < civil.MustTimeOfDay("13:00") || pl.Local.Time > civil.MustTimeOfDay("13:30") {
			t.Errorf("%s does not lie between 13:00 and 14:30", pl)
		}
	}
	if len(days) != 4 || !days["2026-06-04"] || !days["2026-06-11"] || !days["2026-06-16"] || !days["2026-06-18"] {
		t.Errorf("days %v, want Thursday 4, Thursday 11, Tuesday 16 and Thursday 18 June", days)
	}
}

func TestThePatientIsNeverInTwoPlaces(t *testing.T) {
	p := smallPractice(t)
	req := asked(p, "2026-06-01T07:00", visit(60, diary.AnyDay))
	req.Best = 100
	req.Wishes.NotAfter = theFirst
	own := away(p, "own", "2026-06-01T09:30", "2026-06-01T15:00").Chair
	req.Patient = []civil.Interval{own}
	offers := search(t, built(t, p, 1), req)
	if len(offers) == 0 {
		t.Fatal("the late afternoon is free")
	}
	for _, o := range offers {
		if o.Places[0].Chair.Overlaps(own) {
			t.Errorf("%s while the patient is elsewhere", o.Places[0])
		}
	}
}

func TestTheDaysReserveIsForEmergenciesUntilItsHour(t *testing.T) {
	p := smallPractice(t)
	for _, c := range p.Clinicians {
		p.Reserves = append(p.Reserves, diary.Reserve{Resource: clinician(c.ID), Hours: everyDay(span(540, 660))})
	}
	p.Release = diary.Release{DaysBefore: 1, At: civil.MustTimeOfDay("16:00")}
	m := built(t, p, 5)
	urgent := diary.Visit{Protocol: "emergency-relief", Minutes: 30, Parts: diary.Manner{}.Parts(30), Window: diary.AnyDay}
	now := p.Zone.Resolve(civil.MustLocalTime("2026-06-01T15:59"))
	tomorrow := civil.MustLocalTime("2026-06-02T09:00")

	req := &diary.Request{Now: now, Visits: []diary.Visit{urgent}, FirstAvailable: true, Best: 1}
	req.Wishes.NotBefore = tomorrow.Date
	if got := search(t, m, req)[0].Places[0]; got.Local != civil.MustLocalTime("2026-06-02T11:00") || got.FromReserve {
		t.Errorf("a minute before the reserve is released an ordinary patient is offered %s", got)
	}
	place, ok, err := m.NextPlace(now.Add(61*time.Minute), urgent, nil)
	if err != nil || !ok || place.Local != tomorrow {
		t.Errorf("the next place for pain: %v %v %v", place, ok, err)
	}
	day, err := diary.Build(p, theFirst, 5, 1, []diary.Booking{away(p, "B", "2026-06-01T16:00", "2026-06-01T17:00", clinician("Amber"), clinician("Birch"))})
	if err != nil {
		t.Fatal(err)
	}
	place, ok, err = day.NextPlace(now, urgent, nil)
	if err != nil || !ok || place.Local != tomorrow || !place.FromReserve {
		t.Errorf("pain may use the reserve at once: %v %v %v", place, ok, err)
	}
	req.Now = now.Add(time.Minute)
	if got := search(t, m, req)[0].Places[0]; got.Local != tomorrow || got.FromReserve {
		t.Errorf("from its hour on the reserve is for everybody: %s", got)
	}
}

func TestAFreedPlaceGoesToPainFirstAndThenToWhomItFitsBest(t *testing.T) {
	p := smallPractice(t)
	freed := away(p, "freed", "2026-06-02T09:05", "2026-06-02T10:05").Chair
	m := built(t, p, 30, away(p, "B1", "2026-06-02T10:15", "2026-06-02T17:00", room("1"), room("2")))
	now := p.Zone.Resolve(civil.MustLocalTime("2026-06-01T10:00"))
	d := civil.MustDate
	fits := func(id string, minutes int) diary.Waiting {
		return diary.Waiting{ID: id, Visit: visit(minutes, diary.AnyDay), Booked: d("2026-06-20"), Listed: d("2026-05-01")}
	}
	short, exact, older, pain := fits("short", 30), fits("exact", 60), fits("older", 60), fits("pain", 30)
	older.Listed = d("2026-04-01")
	pain.Urgency = diary.Urgent
	long, late, soon, dressing, elsewhere, wrongDay := fits("long", 75), fits("late", 60), fits("soon", 60), fits("dressing", 60), fits("elsewhere", 60), fits("wrong-day", 60)
	late.Notice = 3 * 24 * 60
	soon.Booked = d("2026-06-02")
	dressing.Anchor, dressing.Visit.Window = d("2026-05-30"), diary.Window{Earliest: 7, Target: 14, Latest: 21}
	elsewhere.Patient = []civil.Interval{freed}
	wrongDay.Wishes.NotBefore = d("2026-06-03")
	yes, no, err := m.WhoSuits(freed, now, diary.Ordinary, []diary.Waiting{short, exact, older, pain, long, late, soon, dressing, elsewhere, wrongDay})
	if err != nil {
		t.Fatal(err)
	}
	var order []string
	for _, s := range yes {
		order = append(order, s.ID)
		if s.Place.Chair.Start.Before(freed.Start) || s.Place.Chair.End.After(freed.End) {
			t.Errorf("%s is placed outside what was freed: %s", s.ID, s.Place)
		}
	}
	if fmt.Sprint(order) != "[pain older exact short]" {
		t.Errorf("order %v", order)
	}
	why := map[string]string{}
	for _, u := range no {
		why[u.ID] = u.Why
	}
	for id, want := range map[string]string{
		"long": "needs 75 minutes, the place has 60 minutes", "late": "needs 4320 minutes notice", "soon": "would not be seen sooner",
		"dressing": "outside the return window", "elsewhere": "the time, the people or the things do not fit", "wrong-day": "the day does not suit",
	} {
		if why[id] != want {
			t.Errorf("%s: %q, want %q", id, why[id], want)
		}
	}
}

func TestAChangeOfHoursShowsTheBookingsItBreaks(t *testing.T) {
	before := smallPractice(t)
	after := smallPractice(t)
	leave := civil.Calendar{Hours: before.Calendar.Hours, Closures: []civil.Closure{{Days: civil.DateRange{First: theFirst.AddDays(1), Last: theFirst.AddDays(1)}, Reason: "leave"}}}
	after.Clinicians[0].Own = &leave
	after.Calendar.Hours = append(after.Calendar.Hours, civil.Term{From: theFirst.AddDays(2), Hours: everyDay(span(540, 720))})
	after.Units = nil
	bookings := []diary.Booking{
		away(before, "leave", "2026-06-02T09:00", "2026-06-02T10:00", clinician("Amber"), room("1")),
		away(before, "fine", "2026-06-02T09:00", "2026-06-02T10:00", clinician("Birch"), room("2")),
		away(before, "afternoon", "2026-06-03T11:30", "2026-06-03T13:30", room("1")),
		away(before, "outside-anyway", "2026-06-03T18:00", "2026-06-03T19:00", room("1")),
		away(before, "microscope", "2026-06-03T10:00", "2026-06-03T11:00", unit("M1")),
	}
	got, err := diary.BrokenBy(before, after, theFirst, 7, bookings)
	if err != nil {
		t.Fatal(err)
	}
	var lines []string
	for _, b := range got {
		lines = append(lines, b.Booking+": "+b.Text)
	}
	want := []string{
		"leave: clinician Amber is no longer there from 2026-06-02T09:00 on",
		"afternoon: room 1 is no longer there from 2026-06-03T13:00 on",
		"microscope: equipment M1 no longer exists",
	}
	if !slices.Equal(lines, want) {
		t.Errorf("got %q\nwant %q", lines, want)
	}
}
