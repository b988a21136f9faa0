package main

import (
	"net/http"
	"net/url"
	"path"
	"strings"
	"testing"
	"time"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// bookBoth books both visits of the case from the first offer, and returns the
// addresses of the appointments.
func (v *deskVisitor) bookBoth(id string) []string {
	v.t.Helper()
	done := v.send(v.mustGet("/cases/"+id+"/book"), "article.offer form", nil, "keep=0")
	var out []string
	for _, n := range done.Find("ol.bookedlist a.when").Nodes {
		for _, a := range n.Attr {
			if a.Key == "href" {
				out = append(out, a.Val)
			}
		}
	}
	if len(out) != 2 {
		v.t.Fatalf("booked %v\n%s", out, done.text())
	}
	return out
}

func TestALatePatientArrivesWithWhatIsLeftSitsDownAndLeaves(t *testing.T) {
	r, id := openFurnished(t)
	v := r.signIn("reception")
	first := v.bookBoth(id)[0]
	r.clock.move(20 * time.Minute)
	v = r.signIn("reception")
	if now := v.mustGet("/"); !now.has("Should have come") {
		t.Errorf("the opening page does not ask for who has not come: %s", now.text())
	}
	p := v.mustGet(first)
	for _, bad := range []string{"-5", "601", "soon", strings.Repeat("9", 50)} {
		got := v.send(p, "form[action$=attend]", url.Values{"late": {bad}}, "state=arrived")
		if got.status != http.StatusUnprocessableEntity || !got.has("Enter 0 to 600 minutes") || got.Find("input[name=late]").AttrOr("value", "") != bad {
			t.Errorf("late %q: status %d\n%s", bad, got.status, got.text())
		}
	}
	late := v.send(p, "form[action$=attend]", url.Values{"late": {"20"}}, "state=arrived")
	if !late.has("40 min are left") || !late.has("40 minutes are left") || !late.has("This speaks of minutes alone") {
		t.Errorf("the outlook: %s", late.text())
	}
	stale := v.send(p, "form[action$=attend]", nil, "state=did-not-attend")
	if stale.status != http.StatusUnprocessableEntity || !stale.has("Somebody else has changed this appointment meanwhile") || !stale.has("arrived") {
		t.Errorf("with an old state: status %d, %s", stale.status, stale.text())
	}
	if now := v.mustGet("/"); !now.has("Arrived at") || !now.has("has waited") {
		t.Errorf("the opening page does not say who waits: %s", now.text())
	}
	for _, step := range []struct{ state, want string }{{"in-chair", "in the chair"}, {"left", "left"}} {
		got := v.send(v.mustGet(first), "form[action$=attend]", nil, "state="+step.state)
		if got.status != http.StatusOK || !got.has(step.want) {
			t.Errorf("%s: status %d, %s", step.state, got.status, got.text())
		}
	}
	if got := v.post(first+"/attend", url.Values{"state": {"dancing"}, "etag": {"1"}}); got.status != http.StatusBadRequest {
		t.Errorf("an unknown step: status %d", got.status)
	}
	calendar := v.get(first + "/calendar")
	if kind := calendar.header.Get("Content-Type"); calendar.status != http.StatusOK || !strings.HasPrefix(kind, "text/calendar") || !strings.Contains(calendar.Text(), "BEGIN:VCALENDAR") {
		t.Errorf("the calendar file: status %d, %s", calendar.status, kind)
	}
}

func TestAFreedPlaceGoesToWhomItSuitsOfTheShortNoticeList(t *testing.T) {
	r, id := openFurnished(t)
	other := r.anotherCase()
	v := r.signIn("reception")
	second := v.bookBoth(id)[1]
	theirs := v.send(v.mustGet("/cases/"+other+"/book?from=2027-04-05"), "article.offer form", nil, "keep=0")
	if !strings.HasPrefix(theirs.at, "/bookings/") {
		t.Fatalf("%s", theirs.text())
	}
	form := v.mustGet("/short-notice/new?case=" + other)
	give := form.Find("select[name=instead] option").Eq(1).AttrOr("value", "")
	for _, bad := range []url.Values{{"notice": {"-1"}}, {"notice": {"a day"}}, {"visit": {"9"}}, {"day": {"8"}}} {
		if got := v.send(form, "form[action='/short-notice/new']", bad, ""); got.status != http.StatusUnprocessableEntity {
			t.Errorf("%v: status %d", bad, got.status)
		}
	}
	list := v.send(form, "form[action='/short-notice/new']", url.Values{"notice": {"0"}, "instead": {give}}, "")
	if list.at != "/short-notice" || !list.has("INVENTED-0047") || !list.has("gives up") {
		t.Fatalf("at %s: %s", list.at, list.text())
	}
	p := v.mustGet(second)
	if got := v.send(p, "form[action$=cancel]", nil, ""); got.status != http.StatusUnprocessableEntity || !got.has("Choose why it is cancelled") {
		t.Errorf("without a reason: status %d", got.status)
	}
	p = v.send(p, "form[action$=cancel]", url.Values{"reason": {"patient-asked"}}, "")
	if !p.has("The place is free again") || !p.has("INVENTED-0047") {
		t.Fatalf("after the cancellation: %s", p.text())
	}
	done := v.send(p, "form[action$=take]", nil, "")
	if !strings.HasPrefix(done.at, "/bookings/") || !done.has("Booked for INVENTED-0047") {
		t.Fatalf("taken: status %d, %s", done.status, done.text())
	}
	if list = v.mustGet("/short-notice"); !list.has("Nobody waits") {
		t.Errorf("still on the list: %s", list.text())
	}
	later := 0
	for _, a := range r.booked() {
		if a.GetPlace().GetStart().GetDate().GetMonth() == 4 && a.GetParts()[0].GetVisit() == 1 {
			later++
		}
	}
	if later != 0 {
		t.Error("what was to be given up is still booked")
	}
}

func TestAMoveShowsWhatItDoesToTheNextVisitAndPutsItRightAsOneAction(t *testing.T) {
	r, id := openFurnished(t)
	v := r.signIn("reception")
	first := v.bookBoth(id)[0]
	p := v.mustGet(first + "/move")
	if p.Find("a[href*='/move?']").Length() < 3 {
		t.Errorf("few other places: %s", p.text())
	}
	if p = v.mustGet(first + "/move?day=3&part=morning"); p.Find("section .rows li").Length() == 0 || p.Find("section .rows li:not(:contains('Wed'))").Length() != 0 || p.Find("input[name=day][checked]").Length() != 1 {
		t.Errorf("places on Wednesday mornings alone: %s", p.text())
	}
	p = v.mustGet(first + "/move?date=2027-03-22&at=09:00&minutes=60")
	if !p.has("would come before the visit that it follows") && !p.has("before its earliest day") && !p.has("After") {
		t.Errorf("the effect on visit 2: %s", p.text())
	}
	if !p.has("Move it, and put the rest right") {
		t.Fatalf("no repair: %s", p.text())
	}
	button := p.Find("button[name=repair]").AttrOr("value", "")
	done := v.send(p, "form[method=post][action$=move]", nil, "repair="+button)
	if done.status != http.StatusOK || !done.has("Mon 22 Mar") {
		t.Fatalf("status %d: %s", done.status, done.text())
	}
	all := r.booked()
	if len(all) != 2 || all[0].GetPlace().GetStart().GetDate().GetDay() != 22 || all[1].GetPlace().GetStart().GetInstantTime().AsTime().Before(all[0].GetPlace().GetStart().GetInstantTime().AsTime().AddDate(0, 0, 7)) {
		t.Errorf("after the move: %v", all)
	}
	for _, bad := range []string{"?date=2027-03-22&at=late", "?date=0000-00-00&at=09:00", "?date=2027-03-22&at=09:00&minutes=-3", "?date=2027-03-22&at=09:00&room=nowhere"} {
		if got := v.get(first + "/move" + bad); got.status != http.StatusUnprocessableEntity && got.status != http.StatusNotFound {
			t.Errorf("%s: status %d", bad, got.status)
		}
	}
	old := v.mustGet(first + "/move?date=2027-03-23&at=09:00&minutes=60")
	v.send(v.mustGet(first+"/move?date=2027-03-24&at=09:00&minutes=60"), "form[method=post][action$=move]", nil, "")
	stale := v.send(old, "form[method=post][action$=move]", nil, "")
	if stale.status != http.StatusUnprocessableEntity || !stale.has("Somebody else has changed this appointment meanwhile") {
		t.Errorf("moved by two: status %d, %s", stale.status, stale.text())
	}
}

// No way leads to a place before every red flag was asked for, and none past
// the practice's instruction when one is raised.
func TestAnUrgentCallAsksFirstReadsTheInstructionOutAndThenFindsAPlace(t *testing.T) {
	r, _ := openFurnished(t)
	r.mustAt(monday, "settings", "change", "--file", writeFile(t, `{"urgent_instruction": "Call the invented emergency line at once."}`))
	v := r.signIn("reception")
	p := v.mustGet("/call")
	if n := p.Find("input[type=radio]").Length(); n < 10 || p.Find("input[checked]").Length() != 0 || p.Find(".places").Length() != 0 {
		t.Fatalf("%d answers, %d of them given", n, p.Find("input[checked]").Length())
	}
	no, yes := url.Values{}, url.Values{}
	for _, n := range p.Find("input[type=radio][value=no]").Nodes {
		for _, a := range n.Attr {
			if a.Key == "name" {
				no[a.Val], yes[a.Val] = []string{"no"}, []string{"no"}
			}
		}
	}
	yes.Set("flag-breathing", "yes")
	some := url.Values{"flag-breathing": {"no"}, "patient": {"x"}, "do": {"book"}, "read-out": {"yes"}}
	if got := v.post("/call", some); got.status != http.StatusUnprocessableEntity || !got.has("Not answered yet") || got.Find("button[value=book]").Length() != 0 || got.Find("#flag-breathing-no[checked]").Length() != 1 {
		t.Errorf("unanswered questions: status %d, %s", got.status, got.text())
	}
	p = v.post("/call", yes)
	if !p.has("Call the invented emergency line at once") || p.Find("main button[value=book], main input[name=q]").Length() != 0 {
		t.Fatalf("the instruction does not come first: %s", p.text())
	}
	around := url.Values{"patient": {"x"}, "do": {"book"}, "place": {"AAAA"}}
	for name, value := range yes {
		around[name] = value
	}
	if got := v.post("/call", around); got.Find("button[value=book]").Length() != 0 || !got.has("Call the invented emergency line") {
		t.Errorf("a way around the instruction: %s", got.text())
	}
	p = v.send(p, "form[action='/call']", url.Values{"read-out": {"yes"}}, "")
	if !p.has("Who calls?") || !p.has("Call the invented emergency line at once") {
		t.Fatalf("after it was read out: %s", p.text())
	}
	if got := v.send(p, "main form:has(input[name=q])", url.Values{"q": {"nobody"}, "trouble": {"swelling"}, "trouble-words": {"<b>since</b> Sunday"}}, ""); !got.has("What is wrong: swelling: <b>since</b> Sunday.") || got.Find("form input[name=trouble][value=swelling]").Length() != 2 {
		t.Errorf("what is wrong does not travel along: %s", got.text())
	}
	if got := p.Find("input[name=reference]").AttrOr("value", ""); got != "INVENTED-0047" {
		t.Errorf("the next reference is proposed as %q", got)
	}
	found := v.send(p, "main form:has(input[name=q])", url.Values{"q": {"INVENTED-0046"}}, "")
	if found.Find("button[name=patient]").Length() != 1 {
		t.Errorf("the patient is not found: %s", found.text())
	}
	for _, bad := range []string{"", "no good reference <script>", strings.Repeat("R", 70)} {
		if got := v.send(p, "form:has(input[name=reference])", url.Values{"reference": {bad}}, "do=new"); got.status != http.StatusUnprocessableEntity || got.Find("button[value=book]").Length() != 0 {
			t.Errorf("reference %q: status %d", bad, got.status)
		}
	}
	p = v.send(p, "form:has(input[name=reference])", url.Values{"reference": {"INVENTED-0911"}, "label": {`<script>alert("x")</script>`}}, "do=new")
	if !p.has("The next places for INVENTED-0911") || !strings.Contains(p.text(), `<script>alert("x")</script>`) || p.Find("main script").Length() != 0 {
		t.Fatalf("the places: %s", p.text())
	}
	done := v.send(p, "form:has(button[value=book])", url.Values{"trouble": {"swelling"}, "trouble-words": {"<b>since</b> Sunday"}}, "do=book")
	if !strings.HasPrefix(done.at, "/bookings/") || !done.has("emergency relief") {
		t.Fatalf("booked: status %d, %s", done.status, done.text())
	}
	kept := v.mustGet("/appointments/" + path.Base(r.booked()[0].GetName()))
	if !kept.has("Said on the telephone swelling: <b>since</b> Sunday") || !kept.has("Answered with yes: ") || !kept.has("red-flag questions") {
		t.Errorf("what the caller said is not with the appointment: %s", kept.text())
	}
	for view, want := range map[string]string{"": "Urgent call: swelling", "?view=list": "A red flag was raised on the telephone"} {
		if day := v.mustGet("/day/" + "2027-03-01" + view); !day.has(want) || day.has("since") {
			t.Errorf("the day shows %s", day.text())
		}
	}
	if n := len(r.booked()); n != 1 {
		t.Errorf("%d appointments, want 1", n)
	}
	if p = v.post("/call", no); !p.has("Who calls?") || p.has("Call the invented emergency line") {
		t.Errorf("without a flag: %s", p.text())
	}
}

// Who sees the patient next reads it before the visit begins, though the urgent
// visit was booked before it had a case.
func TestWhatAnUrgentCallerSaidIsReadBeforeTheVisit(t *testing.T) {
	r, id := openFurnished(t)
	r.mustAt(monday, "emergency", "--yes", "swallowing", "--no-flags", "--read", "--trouble", "swelling", "--words", "since Sunday", "--for", "INVENTED-0046", "--book", "1")
	v := r.signIn("nurse")
	if p := v.mustGet("/"); !p.has("Urgent call: swelling") || !p.has("A red flag was raised on the telephone") || p.has("Sunday") {
		t.Errorf("the opening page shows %s", p.text())
	}
	for _, at := range []string{"/sheet", "/chair"} {
		if p := v.mustGet("/cases/" + id + at); !p.has("Said on the telephone swelling: since Sunday") || !p.has("Answered with yes: ") {
			t.Errorf("%s shows %s", at, p.text())
		}
	}
	r.clock.move(24 * time.Hour)
	if p := r.signIn("nurse").mustGet("/cases/" + id + "/chair"); p.has("Said on the telephone") {
		t.Errorf("a call of the day before is shown before a visit of today: %s", p.text())
	}
}

func TestTheOpeningPageShowsEachRoleWhatIsTheirs(t *testing.T) {
	r, id := openFurnished(t)
	letter := r.id(r.mustAt(monday, "case", "open", "--patient", "INVENTED-0046", "--tooth", "11"), "Case")
	v := r.signIn("reception")
	if p := v.mustGet("/"); !p.has("A plan is accepted and nothing is booked") || p.Find("a[href='/cases/"+id+"/book']").Length() != 1 {
		t.Errorf("an accepted plan without a booking: %s", p.text())
	}
	if p := v.mustGet("/patients"); !p.has("planned, nothing booked") {
		t.Errorf("the list of patients: %s", p.text())
	}
	v.bookBoth(id)
	clinician := r.signIn("clinician").mustGet("/")
	if !clinician.has("Has not been assessed yet") || clinician.Find(`a[href="/cases/`+letter+`/assess"]`).Length() != 1 {
		t.Errorf("the clinician: %s", clinician.text())
	}
	nurse := r.signIn("nurse").mustGet("/")
	if !nurse.has("Set out for the next visits") || nurse.Find(`a[href="/cases/`+id+`/sheet"]`).Length() != 1 || nurse.Find(".things li").Length() < 3 {
		t.Errorf("the nurse: %s", nurse.text())
	}
	if manager := r.signIn("manager").mustGet("/"); manager.has("INVENTED-0046") || manager.Find(".next").Length() != 0 {
		t.Errorf("the manager sees patients: %s", manager.text())
	}
	p := v.mustGet("/")
	if p.has("nothing is booked") {
		t.Errorf("what is booked is asked for: %s", p.text())
	}
	if got := v.send(p, "form[action$=attend]", nil, "state=arrived"); got.at != "/" || !got.has("has waited") {
		t.Errorf("arrived by one tap: at %s, %s", got.at, got.text())
	}
	// Another system's appointment over ours is shown with its way out.
	taken, err := r.as(store.RoleManager).Diary.TakeInAppointment(t.Context(), &vw.TakeInAppointmentRequest{Parent: r.practice, Appointment: &vw.ExternalAppointment{
		Key: &vw.ExternalIdentifier{System: "front-desk", Value: "1"}, Place: r.booked()[1].GetPlace()}})
	if err != nil || len(taken.GetConflicts()) != 1 {
		t.Fatalf("%v, %v", taken, err)
	}
	if p = v.mustGet("/"); !p.has("Another system has an appointment at the same time") || p.Find("a[href$='/move']").Length() != 1 {
		t.Errorf("the conflict: %s", p.text())
	}
	if p = v.mustGet("/day/2027-03-15"); !p.has("stands in conflict") || p.Find(".clash").Length() != 2 {
		t.Errorf("the day does not mark it: %s", p.text())
	}
}
