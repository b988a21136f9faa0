package diary_test

import (
	"errors"
	"strings"
	"testing"

	"github.com/visitwright/visitwright/scheduler/civil"
	"github.com/visitwright/visitwright/scheduler/diary"
)

func TestARequestThatCannotBeNamesTheFieldAndWhatWouldBeRight(t *testing.T) {
	p := smallPractice(t)
	m := built(t, p, 10)
	for _, row := range []struct {
		field, want string
		change      func(*diary.Request)
	}{
		{"visits[0]", "multiple of 5 from 5 to 480", func(r *diary.Request) { r.Visits[0].Minutes = 62 }},
		{"visits[0]", "multiple of 5 from 5 to 480", func(r *diary.Request) { r.Visits[0].Minutes = 485 }},
		{"visits[0]", "want an end after the start", func(r *diary.Request) { r.Visits[0].Parts[0].To = -5 }},
		{"visits[0]", "multiples of 5", func(r *diary.Request) { r.Visits[0].Parts[0].From = -3 }},
		{"visits[0]", "at most 120 minutes before", func(r *diary.Request) { r.Visits[0].Parts[0].From = -125 }},
		{"visits[0]", "parts of clinician overlap", func(r *diary.Request) {
			r.Visits[0].Parts = append(r.Visits[0].Parts, diary.Part{Needs: diary.KindClinician, From: 30, To: 40})
		}},
		{"visits[0]", "at least one of a room", func(r *diary.Request) { r.Visits[0].Parts = r.Visits[0].Parts[1:] }},
		{"visits[0]", "want a kind of equipment", func(r *diary.Request) { r.Visits[0].Parts[0].Equipment = "laser" }},
		{"visits[0]", "window: latest 3 days, want 7", func(r *diary.Request) {
			r.Visits[0].Window = diary.Window{Earliest: 7, Target: diary.NoTarget, Latest: 3}
		}},
		{"visits[0]", "window: earliest 3650 days", func(r *diary.Request) {
			r.Visits[0].Window = diary.Window{Earliest: 3650, Target: diary.NoTarget, Latest: diary.NoLatest}
		}},
		{"visits[0]", "window: target 30 days", func(r *diary.Request) { r.Visits[0].Window = diary.Window{Earliest: 7, Target: 30, Latest: 21} }},
		{"visits[0]", "lower blocks 3", func(r *diary.Request) { r.Visits[0].LowerBlocks = 3 }},
		{"visits", "0 of them, want 1 to 8", func(r *diary.Request) { r.Visits = nil }},
		{"best", "0, want 1 to 100", func(r *diary.Request) { r.Best = 0 }},
		{"best", "101, want 1 to 100", func(r *diary.Request) { r.Best = 101 }},
		{"notice", "want 0 to 86400", func(r *diary.Request) { r.Notice = -1 }},
		{"chosen", "want fewer", func(r *diary.Request) { r.Chosen = make([]diary.Place, 1) }},
		{"weights.late", "want 0 to 10000", func(r *diary.Request) { r.Weights.Late = -1 }},
		{"wishes.not_after", "or later", func(r *diary.Request) { r.Wishes = diary.Wishes{NotBefore: theFirst, NotAfter: theFirst.AddDays(-1)} }},
		{"wishes.suits[0].days", "at least one weekday", func(r *diary.Request) { r.Wishes.Suits = []diary.Suit{{Span: span(540, 600)}} }},
		{"wishes.suits[0]", "end after the start", func(r *diary.Request) { r.Wishes.Suits = []diary.Suit{{Days: diary.EveryDay, Span: span(600, 540)}} }},
		{"wishes.not[0]", "both a first and a last day", func(r *diary.Request) { r.Wishes.Not = make([]civil.DateRange, 1) }},
		{"patient[0]", "end after the start", func(r *diary.Request) { r.Patient = make([]civil.Interval, 1) }},
		{"now", "missing", func(r *diary.Request) { *r = diary.Request{Visits: r.Visits, Best: 1} }},
	} {
		req := asked(p, "2026-06-01T07:00", visit(60, diary.AnyDay))
		row.change(req)
		var wrong *diary.FieldError
		_, err := m.Search(req)
		if !errors.As(err, &wrong) || wrong.Field != row.field || !strings.Contains(wrong.Problem, row.want) {
			t.Errorf("%s: got %v, want it to contain %q", row.field, err, row.want)
		}
	}
}

func TestAPracticeThatCannotBeIsRefused(t *testing.T) {
	for want, change := range map[string]func(*diary.Practice){
		"zone: missing":                func(p *diary.Practice) { p.Zone = nil },
		"room 1: the id is there":      func(p *diary.Practice) { p.Rooms[1].ID = "1" },
		"nurse: the id is missing":     func(p *diary.Practice) { p.Nurses[0].ID = "" },
		"room \"9\" is not known":      func(p *diary.Practice) { p.Units[0].Rooms = []string{"9"} },
		"the kind is missing":          func(p *diary.Practice) { p.Units[0].Kind = "" },
		"clinician Cedar is not known": func(p *diary.Practice) { p.Reserves = []diary.Reserve{{Resource: clinician("Cedar")}} },
		"release of the reserve":       func(p *diary.Practice) { p.Release.DaysBefore = 32 },
		"useful length 62 minutes":     func(p *diary.Practice) { p.Useful[0].Minutes = 62 },
		"weight 0, want 1 to 100":      func(p *diary.Practice) { p.Useful[0].Weight = 0 },
		"they overlap 09:00-12:00": func(p *diary.Practice) {
			p.Calendar.Hours = civil.Always(everyDay(span(540, 720), span(700, 800)))
		},
		"clinician Amber: ": func(p *diary.Practice) {
			p.Clinicians[0].Own = &civil.Calendar{Hours: civil.Always(everyDay(span(541, 720)))}
		},
	} {
		p := smallPractice(t)
		change(p)
		if _, err := diary.Build(p, theFirst, 7, 1, nil); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("want an error with %q, got %v", want, err)
		}
	}
}

// The limits are part of the contract.
func TestTheLimitsAreWhatTheContractSays(t *testing.T) {
	for name, got := range map[string][2]int{
		"grid": {diary.Grid, 5}, "days": {diary.MostDays, 731}, "offers": {diary.MostOffers, 100}, "visits": {diary.MostVisits, 8},
		"longest visit": {diary.LongestVisit, 480}, "visits of a plan on one day": {diary.VisitsTogether, 2}, "kinds of equipment": {diary.MostEquipment, 4},
	} {
		if got[0] != got[1] {
			t.Errorf("%s: %d, the contract says %d", name, got[0], got[1])
		}
	}
}
