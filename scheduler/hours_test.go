package scheduler_test

import (
	"encoding/json"
	"os"
	"testing"

	"google.golang.org/genproto/googleapis/type/dayofweek"
	"google.golang.org/genproto/googleapis/type/timeofday"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/scheduler/civil/holidays"
)

func rule(weekday int, from, to int32) *vw.HoursRule {
	return &vw.HoursRule{Weekday: dayofweek.DayOfWeek(weekday), StartTime: &timeofday.TimeOfDay{Hours: from / 60, Minutes: from % 60}, EndTime: &timeofday.TimeOfDay{Hours: to / 60, Minutes: to % 60}}
}

func TestNewHoursSayWhichBookingsTheyBreak(t *testing.T) {
	h := newHouse(t, options{})
	b, err := h.byHand(t.Context(), h.patient, "2026-01-12 15:00", 60)
	h.must(err)
	_, err = h.byHand(t.Context(), h.patient2, "2026-01-12 09:00", 60)
	h.must(err)
	was, err := h.client.GetHours(t.Context(), &vw.GetHoursRequest{Owner: "practices/" + willow})
	h.must(err)
	next := &vw.Hours{Owner: was.GetOwner(), Etag: was.GetEtag(), Rules: []*vw.HoursRule{rule(1, 480, 720)}}
	preview, err := h.client.SetHours(t.Context(), &vw.SetHoursRequest{Hours: next, ValidateOnly: true})
	h.must(err)
	if n := preview.GetBrokenAppointments(); len(n) != 1 || n[0].GetName() != b.GetAppointments()[0].GetName() {
		t.Errorf("breaks %v", n)
	}
	_, err = h.byHand(t.Context(), h.patient2, "2026-01-12 15:00", 60) // the preview kept nothing
	h.must(err)
	done, err := h.client.SetHours(t.Context(), &vw.SetHoursRequest{Hours: next})
	h.must(err)
	if len(done.GetBrokenAppointments()) != 2 || done.GetHours().GetEtag() == was.GetEtag() {
		t.Errorf("breaks %v", done)
	}
	_, err = h.byHand(t.Context(), h.patient2, "2026-01-13 09:00", 60)
	h.want(err, codes.FailedPrecondition, "OUTSIDE_HOURS")
	_, err = h.client.SetHours(t.Context(), &vw.SetHoursRequest{Hours: next})
	h.want(err, codes.Aborted, "ETAG_MISMATCH")
}

func TestHoursThatCannotBeAreRefused(t *testing.T) {
	h := newHouse(t, options{})
	week := func(every, in int32, r *vw.HoursRule) *vw.HoursRule {
		r.EveryWeeks, r.InWeek = every, in
		return r
	}
	for name, x := range map[string]struct {
		rules  []*vw.HoursRule
		reason string
	}{
		"overlap":                    {[]*vw.HoursRule{rule(1, 480, 720), rule(1, 700, 900)}, "HOURS_OVERLAP"},
		"end before start":           {[]*vw.HoursRule{rule(1, 720, 480)}, "END_BEFORE_START"},
		"no length":                  {[]*vw.HoursRule{rule(1, 480, 480)}, "END_BEFORE_START"},
		"off the grid":               {[]*vw.HoursRule{rule(1, 481, 720)}, "INVALID_FIELD"},
		"a week outside its cycle":   {[]*vw.HoursRule{week(2, 2, rule(1, 480, 720))}, "INVALID_FIELD"},
		"overlap in one week of two": {[]*vw.HoursRule{week(2, 1, rule(1, 480, 720)), week(4, 3, rule(1, 600, 900))}, "HOURS_OVERLAP"},
		"cycles that never meet":     {[]*vw.HoursRule{week(5, 1, rule(1, 480, 720)), week(7, 3, rule(2, 600, 900))}, "INVALID_FIELD"},
	} {
		_, err := h.client.SetHours(t.Context(), &vw.SetHoursRequest{Hours: &vw.Hours{Owner: h.anna, Rules: x.rules}})
		if status := reason(err); status != x.reason {
			t.Errorf("%s: got %s, want %s: %v", name, status, x.reason, err)
		}
	}
	got, err := h.client.GetHours(t.Context(), &vw.GetHoursRequest{Owner: h.anna})
	h.must(err)
	if len(got.GetRules()) != 0 {
		t.Errorf("kept %v", got)
	}
	all, err := h.client.ListHours(t.Context(), &vw.ListHoursRequest{Parent: "practices/" + willow})
	h.must(err)
	if len(all.GetHours()) == 0 || all.GetHours()[0].GetOwner() != "practices/"+willow {
		t.Errorf("all hours: %v, want the practice's first", all)
	}
	for _, one := range all.GetHours() {
		if len(one.GetRules()) == 0 {
			t.Errorf("%s is listed without rules of its own", one.GetOwner())
		}
	}
	_, err = h.client.ListHours(t.Context(), &vw.ListHoursRequest{Parent: "practices/" + willow, PageToken: "nonsense"})
	h.want(err, codes.InvalidArgument, "INVALID_PAGE_TOKEN")
	_, err = h.client.GetHours(t.Context(), &vw.GetHoursRequest{Owner: "practices/" + willow + "/clinicians/nobody"})
	h.want(err, codes.NotFound, "CLINICIAN_NOT_FOUND")
}

// Anna works Mondays of even weeks until noon, of odd weeks from noon on; from
// February on every Monday until four.
func TestAlternatingWeeksAndANewTermOfHoursAreKept(t *testing.T) {
	h := newHouse(t, options{})
	even, odd, later := rule(1, 480, 720), rule(1, 720, 1020), rule(1, 480, 960)
	even.EveryWeeks, odd.EveryWeeks, odd.InWeek = 2, 2, 1
	even.LastDate, odd.LastDate, later.FirstDate = day("2026-01-31"), day("2026-01-31"), day("2026-02-01")
	_, err := h.client.SetHours(t.Context(), &vw.SetHoursRequest{Hours: &vw.Hours{Owner: h.anna, Rules: []*vw.HoursRule{even, odd, later}}})
	h.must(err)
	try := func(start string) string {
		_, err := h.client.CheckPlace(t.Context(), &vw.CheckPlaceRequest{Parent: "practices/" + willow, Unplanned: &vw.UnplannedVisit{Protocol: "consultation", Minutes: 30},
			Place: &vw.Place{Start: at(start), Minutes: 30, Holds: []*vw.Hold{{Resource: h.anna}}}})
		h.must(err)
		got, err := h.client.CheckPlace(t.Context(), &vw.CheckPlaceRequest{Parent: "practices/" + willow, Unplanned: &vw.UnplannedVisit{Protocol: "consultation", Minutes: 30},
			Place: &vw.Place{Start: at(start), Minutes: 30, Holds: []*vw.Hold{{Resource: h.anna}}}})
		h.must(err)
		for _, w := range got.GetPlace().GetWarnings() {
			return w.GetReason()
		}
		return ""
	}
	// 2026-01-12 lies 2923 weeks after 1970-01-05: an odd week.
	for start, want := range map[string]string{
		"2026-01-12 09:00": "OUTSIDE_HOURS", "2026-01-12 13:00": "", "2026-01-19 09:00": "", "2026-01-19 13:00": "OUTSIDE_HOURS",
		"2026-02-02 09:00": "", "2026-02-02 13:00": "", "2026-02-09 15:00": "", "2026-02-09 16:00": "OUTSIDE_HOURS", "2026-01-13 09:00": "OUTSIDE_HOURS",
	} {
		if got := try(start); got != want {
			t.Errorf("%s: %q, want %q", start, got, want)
		}
	}
}

func TestAnAbsenceTakesItsOwnerOutOfTheDiaryUntilItIsTakenBack(t *testing.T) {
	h := newHouse(t, options{})
	b, err := h.client.BookOffer(t.Context(), &vw.BookOfferRequest{Parent: "practices/" + willow, Patient: h.patient, Places: []*vw.PlaceToBook{
		{Unplanned: &vw.UnplannedVisit{Protocol: "consultation", Minutes: 30}, Place: &vw.Place{Start: at("2026-01-13 10:00"), Minutes: 30, Holds: []*vw.Hold{{Resource: h.anna}}}}}})
	h.must(err)
	away := &vw.Absence{Owner: h.anna, FirstDate: day("2026-01-12"), StartTime: &timeofday.TimeOfDay{Hours: 12}, LastDate: day("2026-01-14"), EndTime: &timeofday.TimeOfDay{Hours: 10}, Kind: "leave"}
	made, err := h.client.CreateAbsence(t.Context(), &vw.CreateAbsenceRequest{Parent: "practices/" + willow, Absence: away})
	h.must(err)
	if n := made.GetBrokenAppointments(); len(n) != 1 || n[0].GetName() != b.GetAppointments()[0].GetName() {
		t.Errorf("breaks %v", n)
	}
	for start, free := range map[string]bool{"2026-01-12 11:00": true, "2026-01-12 12:00": false, "2026-01-13 15:00": false, "2026-01-14 09:30": false, "2026-01-14 10:15": true} {
		got, err := h.client.CheckPlace(t.Context(), &vw.CheckPlaceRequest{Parent: "practices/" + willow, Unplanned: &vw.UnplannedVisit{Protocol: "consultation", Minutes: 30},
			Place: &vw.Place{Start: at(start), Minutes: 30, Holds: []*vw.Hold{{Resource: h.anna}}}})
		h.must(err)
		if is := len(got.GetPlace().GetWarnings()) == 0; is != free {
			t.Errorf("%s: free is %t, want %t: %v", start, is, free, got.GetPlace().GetWarnings())
		}
	}
	list, err := h.client.ListAbsences(t.Context(), &vw.ListAbsencesRequest{Parent: "practices/" + willow, Days: &vw.DateRange{FirstDate: day("2026-01-14"), LastDate: day("2026-02-01")}})
	h.must(err)
	if len(list.GetAbsences()) != 1 {
		t.Errorf("listed %v", list)
	}
	_, err = h.client.DeleteAbsence(t.Context(), &vw.DeleteAbsenceRequest{Name: made.GetAbsence().GetName(), Etag: `"9"`})
	h.want(err, codes.Aborted, "ETAG_MISMATCH")
	_, err = h.client.DeleteAbsence(t.Context(), &vw.DeleteAbsenceRequest{Name: made.GetAbsence().GetName(), Etag: made.GetAbsence().GetEtag()})
	h.must(err)
	_, err = h.client.DeleteAbsence(t.Context(), &vw.DeleteAbsenceRequest{Name: made.GetAbsence().GetName()})
	h.want(err, codes.NotFound, "ABSENCE_NOT_FOUND")
	for name, bad := range map[string]*vw.Absence{
		"END_BEFORE_START":     {Owner: h.anna, FirstDate: day("2026-01-14"), LastDate: day("2026-01-12"), Kind: "leave"},
		"RANGE_TOO_LONG":       {Owner: h.anna, FirstDate: day("2026-01-14"), LastDate: day("2036-01-12"), Kind: "leave"},
		"UNKNOWN_CATALOGUE_ID": {Owner: h.anna, FirstDate: day("2026-01-14"), LastDate: day("2026-01-14"), Kind: "whim"},
		"RESOURCE_NOT_FOUND":   {Owner: "practices/" + willow + "/resources/nowhere", FirstDate: day("2026-01-14"), LastDate: day("2026-01-14"), Kind: "leave"},
	} {
		_, err := h.client.CreateAbsence(t.Context(), &vw.CreateAbsenceRequest{Parent: "practices/" + willow, Absence: bad})
		if reason(err) != name {
			t.Errorf("got %s, want %s", reason(err), name)
		}
	}
}

func TestPublicHolidaysAreASuggestionUntilSomebodyClosesThePractice(t *testing.T) {
	h := newHouse(t, options{})
	ask := func() []*vw.Holiday {
		got, err := h.client.ListHolidays(t.Context(), &vw.ListHolidaysRequest{Parent: "practices/" + willow, Year: 2026})
		h.must(err)
		return got.GetHolidays()
	}
	if n := len(ask()); n != 0 {
		t.Errorf("%d holidays without a region", n)
	}
	region := holidays.Regions()[0]
	h.settings(func(s *vw.DiarySettings) { s.HolidayRegion = region })
	all := ask()
	if len(all) == 0 || all[0].GetClosed() {
		t.Fatalf("suggested %v", all)
	}
	_, err := h.client.CreateAbsence(t.Context(), &vw.CreateAbsenceRequest{Parent: "practices/" + willow,
		Absence: &vw.Absence{Owner: "practices/" + willow, FirstDate: all[0].GetDate(), LastDate: all[0].GetDate(), Kind: "holiday"}})
	h.must(err)
	if !ask()[0].GetClosed() {
		t.Error("the closure is not seen")
	}
}

func TestAResourceIsChangedWithItsEtagAndSetAside(t *testing.T) {
	h := newHouse(t, options{})
	r, err := h.client.GetResource(t.Context(), &vw.GetResourceRequest{Name: h.room2})
	h.must(err)
	r.Title, r.Active = "Quiet room", false
	got, err := h.client.UpdateResource(t.Context(), &vw.UpdateResourceRequest{Resource: r, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"title", "active"}}})
	h.must(err)
	if got.GetActive() || got.GetTitle() != "Quiet room" || got.GetCleanUpMinutes() != 10 {
		t.Errorf("changed to %v", got)
	}
	_, err = h.client.UpdateResource(t.Context(), &vw.UpdateResourceRequest{Resource: r})
	h.want(err, codes.Aborted, "ETAG_MISMATCH")
	_, err = h.client.UpdateResource(t.Context(), &vw.UpdateResourceRequest{Resource: got, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"kind"}}})
	h.want(err, codes.InvalidArgument, "INVALID_UPDATE_MASK")
	_, err = h.client.GetResource(t.Context(), &vw.GetResourceRequest{Name: "practices/" + willow + "/resources/nowhere"})
	h.want(err, codes.NotFound, "RESOURCE_NOT_FOUND")
	// What is set aside is not booked.
	_, err = h.client.BookOffer(t.Context(), &vw.BookOfferRequest{Parent: "practices/" + willow, Patient: h.patient, Places: []*vw.PlaceToBook{
		{Unplanned: &vw.UnplannedVisit{Protocol: "consultation", Minutes: 30}, Place: &vw.Place{Start: at("2026-01-13 10:00"), Minutes: 30, Holds: []*vw.Hold{{Resource: h.room2}}}}}})
	h.want(err, codes.FailedPrecondition, "WRONG_RESOURCE")
	list, err := h.client.ListResources(t.Context(), &vw.ListResourcesRequest{Parent: "practices/" + willow, PageSize: 2})
	h.must(err)
	rest, err := h.client.ListResources(t.Context(), &vw.ListResourcesRequest{Parent: "practices/" + willow, PageToken: list.GetNextPageToken()})
	h.must(err)
	if len(list.GetResources()) != 2 || len(rest.GetResources()) != 3 || list.GetResources()[0].GetKind() != vw.Resource_KIND_ROOM {
		t.Errorf("pages %v, %v", list, rest)
	}
}

// The lists of ids that a service checks are the ones that the catalogues show.
func TestReasonsAndKindsAreThoseOfTheCatalogues(t *testing.T) {
	read := func(path string, into any) {
		text, err := os.ReadFile(path)
		if err != nil {
			t.Fatal(err)
		}
		if err := json.Unmarshal(text, into); err != nil {
			t.Fatal(err)
		}
	}
	var shown map[string][]struct{ ID string }
	var terms map[string][]string
	read("../planner/data/catalogues.json", &shown)
	read("data/terms.json", &terms)
	for _, name := range []string{"absence-kinds", "change-reasons"} {
		if len(terms[name]) == 0 || len(terms[name]) != len(shown[name]) {
			t.Fatalf("%s: %d ids here, %d shown", name, len(terms[name]), len(shown[name]))
		}
		for i, e := range shown[name] {
			if terms[name][i] != e.ID {
				t.Errorf("%s: %s here, %s shown", name, terms[name][i], e.ID)
			}
		}
	}
}
