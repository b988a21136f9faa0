//go:build !race

// The race detector slows a real browser and the play of a whole practice down
// out of proportion: .ci/test runs these without it, in a step of their own.

package main

import (
	"cmp"
	"encoding/json"
	"fmt"
	"log/slog"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/types/known/timestamppb"

	client "github.com/visitwright/visitwright/clients/go"
	"github.com/visitwright/visitwright/cmd/visitwright/fortnight"
	"github.com/visitwright/visitwright/cmd/visitwright/server"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
	"github.com/visitwright/visitwright/testdata/demo"
)

// demoPractice is the played practice, read back over gRPC.
type demoPractice struct {
	*testing.T
	played fortnight.Played
	now    time.Time
	parent string
	as     map[store.Role]*client.Client

	refs         map[string]string // reference by the patient's name
	cases        []*vw.Case
	appointments []*vw.Appointment // of the three weeks around the demo's day
}

// saturday is a moment of the real world at which nobody works.
var saturday = time.Date(2026, 11, 28, 23, 5, 0, 0, time.UTC)

func playedAt(t *testing.T, real time.Time) *demoPractice {
	t.Helper()
	zone, err := time.LoadLocation(demo.Zone)
	if err != nil {
		t.Fatal(err)
	}
	now, err := fortnight.Start(real, zone)
	if err != nil {
		t.Fatal(err)
	}
	clock := fortnight.NewClock(fortnight.Before(now), func() time.Time { return real })
	h, err := openHouse(t.Context(), houseOptions{where: &where{Data: t.TempDir()}, now: clock.Now,
		log:  slog.New(slog.NewTextHandler(t.Output(), &slog.HandlerOptions{Level: slog.LevelError})),
		name: demo.Practice, zone: demo.Zone, passing: true, server: server.Options{Listen: "127.0.0.1:0", CallsPerSecond: demoRate, CallsBurst: demoRate}})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = h.close() })
	p := &demoPractice{T: t, now: now, parent: "practices/" + h.credentials.Practice, as: map[store.Role]*client.Client{}, refs: map[string]string{}}
	for _, role := range []store.Role{store.RoleReception, store.RoleNurse, store.RoleClinician, store.RoleManager} {
		token, _ := h.credentials.Token(role)
		c, err := client.Connect("", client.Options{Token: token, Dial: h.server.Inside(), Deadline: demoPatience})
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = c.Close() })
		p.as[role] = c
	}
	if p.played, err = playOn(t.Context(), h, clock, now); err != nil {
		t.Fatalf("for %s: %v", real.Format(time.RFC3339), err)
	}
	p.readBack()
	return p
}

func (p *demoPractice) clinician() *client.Client { return p.as[store.RoleClinician] }
func (p *demoPractice) reception() *client.Client { return p.as[store.RoleReception] }

func (p *demoPractice) must(err error) {
	p.Helper()
	if err != nil {
		p.Fatal(err)
	}
}

func onDay(t time.Time) *date.Date {
	return &date.Date{Year: int32(t.Year()), Month: int32(t.Month()), Day: int32(t.Day())}
}

func isoDay(d *date.Date) string {
	return fmt.Sprintf("%04d-%02d-%02d", d.GetYear(), d.GetMonth(), d.GetDay())
}

// readBack takes in what everybody in the practice sees.
func (p *demoPractice) readBack() {
	p.Helper()
	ctx := p.Context()
	patients, err := p.reception().Planner.ListPatients(ctx, &vw.ListPatientsRequest{Parent: p.parent, PageSize: 1000})
	p.must(err)
	for _, x := range patients.GetPatients() {
		p.refs[x.GetName()] = x.GetReference()
	}
	cases, err := p.reception().Planner.ListCases(ctx, &vw.ListCasesRequest{Parent: p.parent, PageSize: 1000})
	p.must(err)
	p.cases = cases.GetCases()
	listed, err := p.reception().Diary.ListAppointments(ctx, &vw.ListAppointmentsRequest{Parent: p.parent, PageSize: 1000, AllStates: true,
		Days: &vw.DateRange{FirstDate: onDay(p.now.AddDate(0, 0, -8)), LastDate: onDay(p.now.AddDate(0, 0, 13))}})
	p.must(err)
	p.appointments = listed.GetAppointments()
}

// of is the case of a patient, by the reference's last digits.
func (p *demoPractice) of(ref string) *vw.Case {
	p.Helper()
	for _, c := range p.cases {
		if strings.HasSuffix(p.refs[c.GetPatient()], ref) {
			return c
		}
	}
	p.Fatalf("no case of %s", ref)
	return nil
}

func (p *demoPractice) followUps(view string) []*vw.FollowUp {
	p.Helper()
	list, err := p.reception().FollowUp.ListFollowUps(p.Context(), &vw.ListFollowUpsRequest{Parent: p.parent, PageSize: 1000, View: view})
	p.must(err)
	return list.GetFollowUps()
}

// follows finds a follow-up of a kind in a state.
func (p *demoPractice) follows(kind, state string) *vw.FollowUp {
	p.Helper()
	for _, f := range p.followUps("") {
		if f.GetKind() == kind && f.GetState() == state {
			return f
		}
	}
	p.Errorf("no %s is %s", kind, state)
	return nil
}

// The demo practice has everything that a practice meets, and each of it can be
// read back by the people who would see it.
func TestTheDemoPracticeHasABelievableFortnight(t *testing.T) {
	p := playedAt(t, saturday)
	check := func(name string, what func(p *demoPractice)) {
		t.Run(name, func(t *testing.T) {
			on := *p
			on.T = t
			what(&on)
		})
	}
	if got := p.now.Format("Mon 2006-01-02 15:04"); got != "Tue 2026-11-24 10:40" {
		t.Errorf("on a Saturday night the demo begins at %s", got)
	}
	check("cases in every state, closed for every reason but death", everyState)
	check("a dressing runs out tomorrow and nothing is booked", dressingRunsOut)
	check("a second visit turned out too short", tooShort)
	check("a visit runs now", runningNow)
	check("a provisional booking is about to run out", provisional)
	check("what is due and overdue", dueAndOverdue)
	check("a conflict from the other system, and no other", oneConflict)
	check("three weeks of diary are well filled", wellFilled)
	check("calibration knows two clinicians", calibrated)
	check("the case to try is free to be assessed and booked", toTry)
	check("messages wait, and some are for the telephone", messagesWait)
	check("a patient in pain has a place today", painToday)
	check("the case to try can be assessed, planned and booked within the fortnight", tried)
	check("nothing is called by a real name", invented)
}

func everyState(p *demoPractice) {
	states, reasons := map[vw.Case_State]int{}, map[string]bool{}
	for _, c := range p.cases {
		states[c.GetState()]++
		reasons[c.GetClosingReason()] = true
	}
	for s := vw.Case_STATE_REFERRED; s <= vw.Case_STATE_CLOSED; s++ {
		if states[s] == 0 {
			p.Errorf("no case is %v", s)
		}
	}
	for _, r := range []string{"healed-discharged", "extracted", "declined", "transferred", "lost"} {
		if !reasons[r] {
			p.Errorf("no case was closed as %s", r)
		}
	}
	if p.of("0101").GetTooth() != nil || !p.of("0102").GetProvisional() {
		p.Error("0101 has a tooth that nobody identified, or 0102 is certain before the consultation")
	}
	if n := len(p.cases); n < 35 {
		p.Errorf("%d cases, want 35 or more", n)
	}
	if n := len(p.refs); n < 30 {
		p.Errorf("%d patients, want 30 or more", n)
	}
}

func dressingRunsOut(p *demoPractice) {
	tomorrow := p.now.AddDate(0, 0, 1).Format(time.DateOnly)
	for _, f := range p.followUps("") {
		if f.GetKind() == "return-visit" && f.GetState() == "due" && isoDay(f.GetLatestDate()) == tomorrow {
			return
		}
	}
	p.Errorf("no return visit has %s as its latest day", tomorrow)
}

func tooShort(p *demoPractice) {
	name := p.of("0110").GetName()
	r, err := p.reception().Chair.ReplanVisit(p.Context(), &vw.ReplanVisitRequest{Name: name + "/visits/1", ValidateOnly: true})
	p.must(err)
	if len(r.GetBookings()) != 1 || r.GetBookings()[0].GetEffect() != vw.BookingEffect_EFFECT_TOO_SHORT {
		p.Fatalf("the bookings of 0110: %v", r.GetBookings())
	}
	b := r.GetBookings()[0]
	told := false
	for _, f := range p.followUps("today") {
		told = told || f.GetKind() == "booking" && f.GetCase() == name && strings.HasSuffix(b.GetAppointment(), strings.Split(f.GetKey(), "/")[1]) && len(f.GetFindOffers().GetVisits()) == 1
	}
	if !told {
		p.Error("the list of today does not tell reception of it, with the search for another place")
	}
	found, err := p.reception().Diary.FindOffers(p.Context(), &vw.FindOffersRequest{Parent: p.parent, Patient: p.of("0110").GetPatient(), Visits: []*vw.VisitToPlace{{
		Parts: []*vw.VisitPart{{Plan: p.of("0110").GetLatestPlan(), Option: b.GetPart().GetOption(), Visit: b.GetPart().GetVisit()}}}}})
	p.must(err)
	if len(found.GetOffers()) == 0 {
		p.Errorf("nothing is offered in its place: %v", found.GetBinding())
	}
}

func runningNow(p *demoPractice) {
	v, err := p.clinician().Chair.GetVisit(p.Context(), &vw.GetVisitRequest{Name: p.played.Running})
	p.must(err)
	if v.GetPhase() != vw.ChairVisit_PHASE_RUNNING || len(v.GetWork()) < 8 || len(v.GetEvents()) == 0 || v.GetAnswer().GetHeadline() == "" {
		p.Errorf("the running visit is %v with %d steps, %d events, %q", v.GetPhase(), len(v.GetWork()), len(v.GetEvents()), v.GetAnswer().GetHeadline())
	}
	if began := p.now.Sub(v.GetBeginTime().AsTime()); began < 10*time.Minute || began > time.Hour {
		p.Errorf("it began %v before now", began)
	}
	a, err := p.clinician().Diary.GetAppointment(p.Context(), &vw.GetAppointmentRequest{Name: v.GetAppointment()})
	p.must(err)
	if a.GetState() != vw.Appointment_STATE_IN_CHAIR {
		p.Errorf("its appointment is %v", a.GetState())
	}
}

func provisional(p *demoPractice) {
	for _, a := range p.appointments {
		if a.GetState() == vw.Appointment_STATE_PROVISIONAL {
			if left := a.GetExpireTime().AsTime().Sub(p.now); left <= 0 || left > 20*time.Minute {
				p.Errorf("it ends in %v", left)
			}
			return
		}
	}
	p.Error("nothing is kept provisionally")
}

func dueAndOverdue(p *demoPractice) {
	for _, x := range []struct{ kind, state string }{
		{"return-visit", "due"}, {"return-visit", "booked"}, {"return-visit", "booked-outside"}, {"review", "due"}, {"review", "overdue"}, {"review", "booked"},
		{"restoration", "due"}, {"restoration", "overdue"}, {"core", "due"}, {"re-assessment", "overdue"}, {"decision", "overdue"},
	} {
		p.follows(x.kind, x.state)
	}
	if n := len(p.followUps("needs-decision")); n < 2 {
		p.Errorf("%d decisions wait for a clinician, want 2 or more", n)
	}
	states := map[vw.Appointment_State]bool{}
	for _, a := range p.appointments {
		states[a.GetState()] = true
	}
	for _, s := range []vw.Appointment_State{vw.Appointment_STATE_BOOKED, vw.Appointment_STATE_IN_CHAIR, vw.Appointment_STATE_LEFT, vw.Appointment_STATE_DID_NOT_ATTEND, vw.Appointment_STATE_CANCELLED} {
		if !states[s] {
			p.Errorf("no appointment is %v", s)
		}
	}
}

func oneConflict(p *demoPractice) {
	type use struct {
		from, to time.Time
		of       *vw.Appointment
	}
	holds := map[string][]use{}
	for _, a := range p.appointments {
		if a.GetState() > vw.Appointment_STATE_LEFT {
			continue
		}
		start := a.GetPlace().GetStart().GetInstantTime().AsTime()
		for _, h := range a.GetPlace().GetHolds() {
			holds[h.GetResource()] = append(holds[h.GetResource()], use{start.Add(time.Duration(h.GetFromMinute()) * time.Minute), start.Add(time.Duration(h.GetToMinute()) * time.Minute), a})
		}
	}
	marked := map[string]bool{}
	for _, a := range p.appointments {
		if len(a.GetConflicts()) > 0 {
			marked[a.GetName()] = true
		}
	}
	if len(marked) != 2 {
		p.Errorf("%d appointments stand in conflict, want the two of one collision", len(marked))
	}
	for resource, uses := range holds {
		slices.SortFunc(uses, func(a, b use) int { return a.from.Compare(b.from) })
		for i := 1; i < len(uses); i++ {
			if a, b := uses[i-1], uses[i]; b.from.Before(a.to) && !(marked[a.of.GetName()] && marked[b.of.GetName()]) {
				p.Errorf("%s is held twice at %s", resource, b.from.Format("2006-01-02 15:04"))
			}
		}
	}
}

func wellFilled(p *demoPractice) {
	clinicians, err := p.clinician().Planner.ListClinicians(p.Context(), &vw.ListCliniciansRequest{Parent: p.parent})
	p.must(err)
	days, minutes := map[string]bool{}, 0.0
	names := map[string]bool{}
	for _, c := range clinicians.GetClinicians() {
		names[c.GetName()] = true
	}
	for _, a := range p.appointments {
		days[isoDay(a.GetPlace().GetStart().GetDate())] = true
		for _, h := range a.GetPlace().GetHolds() {
			if names[h.GetResource()] && a.GetState() <= vw.Appointment_STATE_LEFT {
				minutes += float64(h.GetToMinute() - h.GetFromMinute())
			}
		}
	}
	if len(days) < 14 {
		p.Errorf("%d days have appointments, want the 14 or 15 working days of three weeks", len(days))
	}
	// About seven and a half hours a day for each of three, two of them away for
	// some days.
	if share := minutes / (float64(len(days)) * 3 * 430); share < 0.6 || share > 0.9 {
		p.Errorf("%.0f %% of the time is taken, want about 75", share*100)
	}
}

func calibrated(p *demoPractice) {
	list, err := p.clinician().Chair.ListCalibrations(p.Context(), &vw.ListCalibrationsRequest{Parent: p.parent, PageSize: 1000})
	p.must(err)
	speeds := map[string]float64{}
	for _, c := range list.GetCalibrations() {
		if c.GetProtocol() == "primary-treatment" && c.GetToothClass() == "molar" && c.GetClinician() != "" {
			speeds[c.GetClinician()] = c.GetSpeed()
		}
	}
	if len(speeds) < 2 {
		p.Fatalf("the figures know %d clinicians, want two", len(speeds))
	}
	least, most := 9.0, 0.0
	for _, s := range speeds {
		least, most = min(least, s), max(most, s)
	}
	if least < 0.6 || most > 1.6 || most-least < 0.05 {
		p.Errorf("their speeds are %v: want them to differ, and both to be speeds of people", speeds)
	}
}

func toTry(p *demoPractice) {
	c := p.of("0046")
	if c.GetName() != p.played.Try || c.GetTooth().GetIso() != "46" || c.GetState() != vw.Case_STATE_REFERRED || c.GetLatestAssessment() != "" {
		p.Errorf("the case to try is %v", c)
	}
	for _, a := range p.appointments {
		if slices.Contains(a.GetCases(), c.GetName()) && a.GetProtocol() == "consultation" && a.GetState() == vw.Appointment_STATE_BOOKED {
			return
		}
	}
	p.Error("it has no consultation today")
}

func messagesWait(p *demoPractice) {
	list, err := p.reception().FollowUp.ListMessages(p.Context(), &vw.ListMessagesRequest{Parent: p.parent, PageSize: 1000})
	p.must(err)
	kinds := map[string]int{}
	for _, m := range list.GetMessages() {
		kinds[m.GetKind()]++
	}
	if kinds["confirmation"] == 0 || kinds["review-invitation"] == 0 {
		p.Errorf("messages by kind: %v", kinds)
	}
}

func painToday(p *demoPractice) {
	asked, err := p.reception().Diary.ListRedFlagQuestions(p.Context(), &vw.ListRedFlagQuestionsRequest{Parent: p.parent})
	p.must(err)
	r := &vw.FindEmergencyPlaceRequest{Parent: p.parent}
	for _, q := range asked.GetQuestions() {
		r.Answers = append(r.Answers, &vw.RedFlagAnswer{Question: q.GetId()})
	}
	found, err := p.reception().Diary.FindEmergencyPlace(p.Context(), r)
	p.must(err)
	if len(found.GetPlaces()) == 0 || isoDay(found.GetPlaces()[0].GetPlace().GetStart().GetDate()) != p.now.Format(time.DateOnly) {
		p.Errorf("the first emergency place: %v", found)
	}
}

// tried does with the case to try what the demo invites to.
func tried(p *demoPractice) {
	ctx, name := p.Context(), p.played.Try
	var file struct{ Findings json.RawMessage }
	p.must(json.Unmarshal(demo.Case, &file))
	findings := &vw.Findings{}
	p.must(protojson.Unmarshal(file.Findings, findings))
	_, err := p.clinician().Planner.Assess(ctx, &vw.AssessRequest{Parent: name, Findings: findings})
	p.must(err)
	plan, err := p.clinician().Planner.ProposePlan(ctx, &vw.ProposePlanRequest{Parent: name})
	p.must(err)
	_, err = p.clinician().Planner.AcceptOption(ctx, &vw.AcceptOptionRequest{Name: plan.GetName(), Option: "two-visits",
		Consent: &vw.Consent{Giver: vw.Consent_GIVER_PATIENT, Form: "written", AgreeTime: timestamppb.New(p.now)}})
	p.must(err)
	r := &vw.FindOffersRequest{Parent: p.parent, Patient: p.of("0046").GetPatient()}
	for v := range int32(2) {
		r.Visits = append(r.Visits, &vw.VisitToPlace{Parts: []*vw.VisitPart{{Plan: plan.GetName(), Option: "two-visits", Visit: v + 1}}})
	}
	found, err := p.reception().Diary.FindOffers(ctx, r)
	p.must(err)
	if len(found.GetOffers()) == 0 {
		p.Fatalf("no offers: %v", found.GetBinding())
	}
	first := found.GetOffers()[0].GetPlaces()[0].GetPlace().GetStart().GetInstantTime().AsTime()
	if wait := first.Sub(p.now); wait > 8*24*time.Hour {
		p.Errorf("the first visit is offered in %v", wait)
	}
	_, err = p.reception().Diary.BookOffer(ctx, &vw.BookOfferRequest{Parent: p.parent, Patient: r.GetPatient(), OfferToken: found.GetOffers()[0].GetToken()})
	p.must(err)
}

func invented(p *demoPractice) {
	list, err := p.reception().Planner.ListPatients(p.Context(), &vw.ListPatientsRequest{Parent: p.parent, PageSize: 1000})
	p.must(err)
	for _, x := range list.GetPatients() {
		if !strings.HasPrefix(x.GetReference(), "INVENTED-") || !strings.HasPrefix(x.GetPhone(), "+43 1 5550") && x.GetPhone() != "" || x.GetAddress() != "" && !strings.HasSuffix(x.GetAddress(), ".example") {
			p.Errorf("%s could be somebody", x.GetReference())
		}
	}
}

// digest is the practice without the ids that the service draws.
func (p *demoPractice) digest() []string {
	p.Helper()
	var out []string
	named := map[string]string{}
	for _, c := range p.cases {
		named[c.GetName()] = p.refs[c.GetPatient()] + "/" + c.GetTooth().GetIso()
		visits, err := p.clinician().Chair.ListVisits(p.Context(), &vw.ListVisitsRequest{Parent: c.GetName(), PageSize: 100})
		p.must(err)
		line := fmt.Sprint(named[c.GetName()], " ", c.GetState(), c.GetClosingReason())
		for _, v := range visits.GetVisits() {
			line += fmt.Sprint(" ", v.GetBeginTime().AsTime(), v.GetChairMinutes(), v.GetState(), v.GetMarkCount())
		}
		out = append(out, strings.Join(strings.Fields(line), " "))
	}
	for _, f := range p.followUps("") {
		out = append(out, fmt.Sprint(named[f.GetCase()], f.GetKind(), f.GetState(), isoDay(f.GetLatestDate()), f.GetReason()))
	}
	for _, a := range p.appointments {
		out = append(out, fmt.Sprint(a.GetPlace().GetStart().GetInstantTime().AsTime(), p.refs[a.GetPatient()], a.GetPlace().GetMinutes(), a.GetState(), a.GetExternal().GetValue(), len(a.GetConflicts())))
	}
	slices.SortFunc(out, cmp.Compare[string])
	return out
}

func TestTheDemoPracticeIsTheSameEachTime(t *testing.T) {
	// Two moments of one week: the demo begins at the same one.
	first, second := playedAt(t, saturday).digest(), playedAt(t, saturday.Add(-100*time.Hour)).digest()
	for i := range max(len(first), len(second)) {
		if i >= len(first) || i >= len(second) || first[i] != second[i] {
			t.Fatalf("it differs at line %d: %q and %q", i, at(first, i), at(second, i))
		}
	}
}

func at(list []string, i int) string {
	if i < len(list) {
		return list[i]
	}
	return ""
}

// Whatever the hour: at night, on a Sunday, between the years, in a week of
// holidays, in the weeks in which the clocks change.
func TestTheDemoPracticeOpensAtAnyHour(t *testing.T) {
	for _, real := range []string{"2026-12-27T03:00:00Z", "2027-01-07T12:00:00Z", "2027-03-28T22:30:00Z"} {
		at, err := time.Parse(time.RFC3339, real)
		if err != nil {
			t.Fatal(err)
		}
		t.Run(real, func(t *testing.T) {
			p := playedAt(t, at)
			if p.now.Weekday() != time.Tuesday || at.Sub(p.now) > 15*24*time.Hour || p.now.Sub(at) > 48*time.Hour {
				t.Errorf("the demo begins at %v", p.now)
			}
			everyState(p)
			dressingRunsOut(p)
			tooShort(p)
			runningNow(p)
			provisional(p)
			dueAndOverdue(p)
			oneConflict(p)
		})
	}
}
