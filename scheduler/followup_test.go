package scheduler_test

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	"github.com/visitwright/visitwright/planner/chairside"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/scheduler"
	"github.com/visitwright/visitwright/scheduler/channel"
	"github.com/visitwright/visitwright/store"
)

// follows is a house with the follow-up service called directly, as the chain
// would after its checks.
type follows struct {
	*house
	f      *scheduler.FollowUps
	post   *post
	sender *scheduler.Sender
	caseID string
	name   string
}

// filledOn is the 31 August of the golden timeline, on which the tooth is filled.
var filledOn = time.Date(2026, 8, 31, 9, 0, 0, 0, time.UTC)

func newFollows(t *testing.T, o options) *follows {
	t.Helper()
	x := &follows{house: newHouse(t, o), post: &post{seen: map[string]int{}}}
	x.f = x.service(x.replica)
	x.sender = &scheduler.Sender{FollowUps: x.f, Channels: scheduler.Channels{"email": x.post}, Worker: "w1"}
	c, err := x.store.CreateCase(t.Context(), x.call(), store.Case{PatientID: x.patientID, Tooth: 46, Protocol: "primary-treatment", Diagnosis: "necrotic-lesion"})
	x.must(err)
	x.caseID, x.name = c.ID, "practices/"+willow+"/cases/"+c.ID
	return x
}

func (x *follows) service(r *replica) *scheduler.FollowUps {
	x.Helper()
	f, err := scheduler.NewFollowUps(r.diary, r.store)
	x.must(err)
	return f
}

// writes switches messages on and records the patient's consent.
func (x *follows) writes() {
	x.Helper()
	p, err := x.f.GetMessagePolicy(x.in(), &vw.GetMessagePolicyRequest{Name: "practices/" + willow + "/messagePolicy"})
	x.must(err)
	p.Enabled, p.Telephone = true, "01632 960000"
	_, err = x.f.UpdateMessagePolicy(x.in(), &vw.UpdateMessagePolicyRequest{Policy: p})
	x.must(err)
	x.agrees(x.patientID)
}

func (x *follows) agrees(patientID string) {
	x.Helper()
	p, err := x.store.GetPatient(x.Context(), x.call(), patientID)
	x.must(err)
	_, err = x.store.UpdatePatient(x.Context(), x.call(), store.PatientUpdate{ID: patientID, Etag: p.Etag, Contact: &store.Contact{Address: patientID + "@mail.example"}})
	x.must(err)
	_, err = x.store.SetContactWishes(x.Context(), x.call(), store.ContactWishes{PatientID: patientID, Channel: "email", ConsentDay: "2026-01-07"})
	x.must(err)
}

func (x *follows) filled() {
	x.Helper()
	_, err := x.f.RecordCare(x.in(), &vw.RecordCareRequest{Case: x.name, Left: &vw.RecordCareRequest_Filled{Filled: &vw.LeftFilled{CorePlaced: true, NeedsCoverage: true, IndexBefore: 4}}})
	x.must(err)
}

func (x *follows) list(view string) []*vw.FollowUp {
	x.Helper()
	got, err := x.f.ListFollowUps(x.in(), &vw.ListFollowUpsRequest{Parent: "practices/" + willow, View: view})
	x.must(err)
	return got.GetFollowUps()
}

func (x *follows) to(t time.Time) { x.clock.Advance(t.Sub(x.clock.Now())) }

// sweeps does what the jobs do.
func (x *follows) sweeps() {
	x.Helper()
	_, err := x.f.Refresh(x.Context(), "")
	x.must(err)
	_, err = x.sender.Send(x.Context(), 1000)
	x.must(err)
}

func iso(d interface {
	GetYear() int32
	GetMonth() int32
	GetDay() int32
}) string {
	return fmt.Sprintf("%04d-%02d-%02d", d.GetYear(), d.GetMonth(), d.GetDay())
}

// A case's whole life: filled on the last of August, crowned late, reviewed at
// 6 and 12 months and yearly, and at four years a decision. Every day is swept
// once; what changes is written down.
func TestFiveYearsOfOneTooth(t *testing.T) {
	x := newFollows(t, options{zone: "Europe/London", now: filledOn})
	x.writes()
	x.filled()
	events := map[string]func(){
		"2026-11-05": func() {
			_, err := x.f.RecordRestoration(x.in(), &vw.RecordRestorationRequest{Case: x.name})
			x.must(err)
		},
	}
	// Index 4 before treatment: smaller each time, and never 2 or less (Orstavik
	// 1986): healing, so that the series runs to its end.
	for day, index := range map[string]int32{"2027-03-01": 2, "2027-08-31": 3, "2028-08-31": 3, "2029-08-31": 3, "2030-09-02": 3} {
		events[day] = func() {
			got, err := x.f.RecordReview(x.in(), &vw.RecordReviewRequest{Case: x.name, IndexNow: proto.Int32(index), RadiographReason: "bone at the apex"})
			x.must(err)
			t.Logf("%s %s", day, got.GetOutcome().GetNext())
		}
	}
	events["2030-09-20"] = func() {
		for _, f := range x.list("needs-decision") {
			_, err := x.f.FinishFollowUp(x.in(), &vw.FinishFollowUpRequest{Case: x.name, Key: f.GetKey(), Reason: "further review is not needed"})
			x.must(err)
		}
	}
	var out strings.Builder
	before := map[string]string{}
	for day := range 5 * 366 {
		x.to(filledOn.AddDate(0, 0, day).Add(3 * time.Hour))
		today := x.clock.Now().Format("2006-01-02")
		if do := events[today]; do != nil {
			do()
		}
		x.sweeps()
		now := map[string]string{}
		for _, f := range x.list("") {
			now[f.GetKey()] = fmt.Sprintf("%s %s, %s to %s, best on %s, %s", f.GetKind(), f.GetState(), iso(f.GetEarliestDate()), iso(f.GetLatestDate()), iso(f.GetTargetDate()), f.GetActor())
		}
		for key, text := range now {
			if before[key] != text {
				fmt.Fprintf(&out, "%s  %s\n", today, text)
			}
		}
		for key, text := range before {
			if now[key] == "" {
				fmt.Fprintf(&out, "%s  ended: %s\n", today, strings.Fields(text)[0])
			}
		}
		for _, l := range x.post.take() {
			fmt.Fprintf(&out, "%s  message %s: %s\n", today, l.Kind, l.Subject)
		}
		before = now
	}
	golden(t, "five_years.golden", out.String())
}

func golden(t *testing.T, name, got string) {
	t.Helper()
	path := filepath.Join("testdata", name)
	if os.Getenv("UPDATE_GOLDEN") != "" {
		if err := os.WriteFile(path, []byte(got), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	if string(want) != got {
		t.Errorf("%s differs:\n%s", name, got)
	}
}

func TestBadInputIsRefusedAndNothingIsKept(t *testing.T) {
	x := newFollows(t, options{})
	review := &vw.RecordReviewRequest{Case: x.name, IndexNow: proto.Int32(3), RadiographReason: "bone"}
	_, err := x.f.RecordReview(x.in(), review)
	x.refused(err, codes.FailedPrecondition, "NOT_TREATED_YET")
	x.filled()
	_, err = x.f.RecordReview(x.in(), &vw.RecordReviewRequest{Case: x.name, IndexNow: proto.Int32(6), RadiographReason: "bone"})
	x.refused(err, codes.InvalidArgument, "INVALID_FIELD")
	_, err = x.f.RecordReview(x.in(), &vw.RecordReviewRequest{Case: x.name, IndexNow: proto.Int32(3)})
	x.refused(err, codes.InvalidArgument, "INVALID_FIELD")
	_, err = x.f.CheckTemplate(x.in(), &vw.CheckTemplateRequest{Parent: "practices/" + willow, Template: &vw.MessageTemplate{Kind: "upcoming", Language: "en", Subject: "s", Body: "[tooth]"}})
	x.refused(err, codes.InvalidArgument, "INVALID_FIELD")
	_, err = x.f.SetContactWishes(x.in(), &vw.SetContactWishesRequest{Wishes: &vw.ContactWishes{Patient: x.patient, Channel: "email", ConsentDate: day("2026-01-07")}})
	x.refused(err, codes.InvalidArgument, "INVALID_FIELD") // there is no address
	_, err = x.f.RecordRestoration(x.in(), &vw.RecordRestorationRequest{Case: x.name, Date: day("2030-01-01")})
	x.refused(err, codes.InvalidArgument, "INVALID_FIELD")
	_, err = x.f.FinishFollowUp(x.in(), &vw.FinishFollowUpRequest{Case: x.name, Key: "none", Reason: "r"})
	x.refused(err, codes.NotFound, "FOLLOW_UP_NOT_FOUND")
	events, err := x.f.ListCareEvents(x.in(), &vw.ListCareEventsRequest{Parent: x.name})
	x.must(err)
	if len(events.GetEvents()) != 1 {
		t.Errorf("kept: %v", events.GetEvents())
	}
}

func TestPainBetweenVisitsAsksTheRedFlagsAndWaivesTheMinimum(t *testing.T) {
	x := newFollows(t, options{})
	_, err := x.f.RecordCare(x.in(), &vw.RecordCareRequest{Case: x.name, Left: &vw.RecordCareRequest_Open{Open: &vw.LeftOpen{Stop: "shaped-and-dressed", Medicament: "calcium-hydroxide"}}})
	x.must(err)
	if got := x.list("")[0]; iso(got.GetEarliestDate()) != "2026-01-14" { // seven days serve an infected canal
		t.Errorf("earliest %s", iso(got.GetEarliestDate()))
	}
	var answers []*vw.RedFlagAnswer
	questions, err := x.diary.ListRedFlagQuestions(x.in(), &vw.ListRedFlagQuestionsRequest{Parent: "practices/" + willow})
	x.must(err)
	for _, q := range questions.GetQuestions() {
		answers = append(answers, &vw.RedFlagAnswer{Question: q.GetId()})
	}
	_, err = x.f.ReportCall(x.in(), &vw.ReportCallRequest{Case: x.name, Complaint: "swelling", Answers: answers[1:]})
	x.refused(err, codes.InvalidArgument, "INVALID_FIELD")
	answers[0].Yes = true
	got, err := x.f.ReportCall(x.in(), &vw.ReportCallRequest{Case: x.name, Complaint: "swelling", Answers: answers})
	x.must(err)
	if len(got.GetFollowUps()) != 0 || got.GetUrgentInstruction() == "" {
		t.Errorf("before the instruction was read out: %v", got)
	}
	got, err = x.f.ReportCall(x.in(), &vw.ReportCallRequest{Case: x.name, Complaint: "swelling", Answers: answers, InstructionAcknowledged: true})
	x.must(err)
	if f := got.GetFollowUps()[0]; iso(f.GetEarliestDate()) != "2026-01-07" || f.GetState() != "due" {
		t.Errorf("after: %v", f)
	}
}

func TestClosingACaseEndsWhatIsDueAndEveryMessage(t *testing.T) {
	x := newFollows(t, options{zone: "Europe/London", now: filledOn})
	x.writes()
	x.filled()
	x.to(filledOn.AddDate(0, 0, 40))
	if len(x.list("")) == 0 {
		t.Fatal("nothing is due 40 days after the filling")
	}
	_, err := x.store.CloseCase(t.Context(), x.call(), store.CaseClosing{ID: x.caseID, Reason: store.ClosedDied})
	x.must(err)
	x.post.take()
	for range 60 {
		x.clock.Advance(24 * time.Hour)
		x.sweeps()
	}
	if left := x.list(""); len(left) != 0 || len(x.post.take()) != 0 {
		t.Errorf("after the patient died: %v", left)
	}
}

var _ channel.Channel = (*post)(nil)

// Dates that are kept equal dates that are worked out anew, whatever changed:
// a closure moves the target and its end moves it back.
func TestAClosureMovesWhatIsDueAtOnce(t *testing.T) {
	x := newFollows(t, options{zone: "Europe/London", now: filledOn})
	x.filled()
	x.to(time.Date(2027, 2, 20, 9, 0, 0, 0, time.UTC))
	target := func() string {
		for _, f := range x.list("") {
			if f.GetKind() == "review" {
				return iso(f.GetTargetDate())
			}
		}
		return ""
	}
	if got := target(); got != "2027-03-01" { // 28 February 2027 is a Sunday
		t.Errorf("target %s", got)
	}
	a, err := x.store.PutAbsence(t.Context(), x.call(), store.Absence{FromDay: "2027-03-01", ToDay: "2027-03-03", ToMin: 1440, Kind: "holiday"})
	x.must(err)
	if got := target(); got != "2027-03-04" {
		t.Errorf("closed until the 3rd: target %s", got)
	}
	x.must(x.store.DeleteAbsence(t.Context(), x.call(), a.ID))
	if got := target(); got != "2027-03-01" {
		t.Errorf("open again: target %s", got)
	}
}

func TestAReportSaysWhatWasDoneAndWhatIsAsked(t *testing.T) {
	x := newFollows(t, options{zone: "Europe/London", now: filledOn})
	_, err := x.f.GetReport(x.in(), &vw.GetReportRequest{Case: x.name, Occasion: "finish"})
	x.refused(err, codes.FailedPrecondition, "NOT_TREATED_YET")
	_, err = x.f.RecordCare(x.in(), &vw.RecordCareRequest{Case: x.name, Left: &vw.RecordCareRequest_Filled{Filled: &vw.LeftFilled{CorePlaced: true, NeedsCoverage: true, ReferrerRestores: true}}})
	x.must(err)
	got, err := x.f.GetReport(x.in(), &vw.GetReportRequest{Case: x.name, Occasion: "finish"})
	x.must(err)
	golden(t, "report_finish.golden", got.GetText())
	if asked := section(got, "asked-of-you").GetItems()[0]; iso(asked.GetByDate()) != "2026-10-30" || asked.GetBecause() == "" {
		t.Errorf("%v", asked)
	}
}

// One of one by Wilson 1927: the lower end is 1/(1+z²), 21 %.
func TestFiguresComeWithTheirInterval(t *testing.T) {
	x := newFollows(t, options{zone: "Europe/London", now: filledOn})
	x.filled()
	x.to(time.Date(2027, 3, 1, 9, 0, 0, 0, time.UTC))
	_, err := x.f.RecordReview(x.in(), &vw.RecordReviewRequest{Case: x.name, IndexNow: proto.Int32(3), RadiographReason: "bone"})
	x.must(err)
	x.to(time.Date(2027, 8, 31, 9, 0, 0, 0, time.UTC))
	_, err = x.f.RecordReview(x.in(), &vw.RecordReviewRequest{Case: x.name, IndexNow: proto.Int32(1), RadiographReason: "bone"})
	x.must(err)
	got, err := x.f.GetPracticeFigures(x.in(), &vw.GetPracticeFiguresRequest{Parent: "practices/" + willow})
	x.must(err)
	if got.GetRecallAttendance().GetCount() != 2 || got.GetHealedStrict().GetText() != "1 of 1 (100 %, 95 % interval 21 to 100 %)" {
		t.Errorf("%v", got)
	}
}

// From the list to places in one step: what the follow-up carries is sent to
// the diary as it is.
func TestTheOffersForAFollowUpAreOneStepAway(t *testing.T) {
	x := newFollows(t, options{})
	ask := func(f *vw.FollowUp) *vw.FindOffersResponse {
		t.Helper()
		if f.GetFindOffers() == nil {
			t.Fatalf("no offers for %v", f)
		}
		got, err := x.client.FindOffers(t.Context(), f.GetFindOffers())
		x.must(err)
		if len(got.GetOffers()) == 0 {
			t.Fatalf("no place for %v: %v", f.GetFindOffers(), got)
		}
		return got
	}
	_, err := x.f.RecordCare(x.in(), &vw.RecordCareRequest{Case: x.name, Left: &vw.RecordCareRequest_Open{Open: &vw.LeftOpen{Stop: "shaped-and-dressed", Medicament: "calcium-hydroxide", Temporary: "double-seal"}}})
	x.must(err)
	due := x.list("")[0]
	for _, o := range ask(due).GetOffers() {
		if day := said(o.GetPlaces()[0].GetPlace().GetStart())[:10]; day < "2026-01-14" || day > "2026-02-04" {
			t.Errorf("a return between day 7 and 28 is offered on %s", day)
		}
	}
	x.to(time.Date(2026, 2, 10, 8, 0, 0, 0, time.UTC))
	overdue := x.list("")[0]
	if first := said(ask(overdue).GetOffers()[0].GetPlaces()[0].GetPlace().GetStart())[:10]; first != "2026-02-10" {
		t.Errorf("an overdue return is offered first on %s", first)
	}
	x.filled()
	x.to(time.Date(2026, 7, 30, 8, 0, 0, 0, time.UTC))
	kinds := 0
	for _, f := range x.list("") {
		if f.GetKind() == "review" || f.GetKind() == "restoration" {
			ask(f)
			kinds++
		}
	}
	if kinds != 2 {
		t.Errorf("%v", x.list(""))
	}
}

func section(r *vw.Report, id string) *vw.ReportSection {
	for _, s := range r.GetSections() {
		if s.GetId() == id {
			return s
		}
	}
	return nil
}

func TestALetterAfterTheConsultationSaysWhatIsProposed(t *testing.T) {
	x := newFollows(t, options{})
	plan := x.plan(x.patientID, 36)
	got, err := x.f.GetReport(x.in(), &vw.GetReportRequest{Case: strings.TrimSuffix(plan, "/plans/1"), Occasion: "consultation"})
	x.must(err)
	if s := section(got, "plan"); s == nil || !strings.Contains(s.GetItems()[0].GetText(), "not yet accepted") {
		t.Errorf("%v", got)
	}
	if got.GetPatientReference() != "P-1" || got.GetTooth() == "" || section(got, "asked-of-you") == nil || got.GetClosing() == "" {
		t.Errorf("%v", got)
	}
}

// A treatment that stops with the tooth open leaves its clock to whoever goes on.
func TestALetterAfterAStopSaysWhatStaysOpenAndByWhen(t *testing.T) {
	x := newFollows(t, options{})
	_, err := x.f.RecordCare(x.in(), &vw.RecordCareRequest{Case: x.name, Left: &vw.RecordCareRequest_Open{Open: &vw.LeftOpen{Stop: "shaped-and-dressed", Medicament: "calcium-hydroxide", Temporary: "double-seal"}}})
	x.must(err)
	for reason, asks := range map[store.ClosingReason]bool{store.ClosedTransferred: true, store.ClosedExtracted: false} {
		c, err := x.store.CreateCase(t.Context(), x.call(), store.Case{PatientID: x.patientID, Tooth: 45, Diagnosis: "necrotic-lesion"})
		x.must(err)
		name := "practices/" + willow + "/cases/" + c.ID
		_, err = x.f.RecordCare(x.in(), &vw.RecordCareRequest{Case: name, Left: &vw.RecordCareRequest_Open{Open: &vw.LeftOpen{Stop: "shaped-and-dressed", Medicament: "calcium-hydroxide", Temporary: "double-seal"}}})
		x.must(err)
		_, err = x.store.CloseCase(t.Context(), x.call(), store.CaseClosing{ID: c.ID, Reason: reason})
		x.must(err)
		got, err := x.f.GetReport(x.in(), &vw.GetReportRequest{Case: name, Occasion: "stop"})
		x.must(err)
		asked := section(got, "asked-of-you").GetItems()[0]
		if asks != (asked.GetByDate() != nil) || asks && iso(asked.GetByDate()) != "2026-02-04" { // 28 days of calcium hydroxide
			t.Errorf("%s: %v", reason, asked)
		}
	}
}

// What is to be decided after a stop is the tooth, not its reviews.
func TestALetterAfterAStopInTheChairAsksForADecisionAboutTheTooth(t *testing.T) {
	x := newFollows(t, options{})
	plan := x.plan(x.patientID, 36)
	x.visited(caseOf(plan), chairside.Closing{Medicament: "calcium-hydroxide", Temporary: "double-seal", SealMM: 4, Stop: "shaped-and-dressed", Ends: "the patient wished so"}, "")
	_, err := x.store.CloseCase(t.Context(), x.call(), store.CaseClosing{ID: caseOf(plan), Reason: store.ClosedTransferred})
	x.must(err)
	got, err := x.f.GetReport(x.in(), &vw.GetReportRequest{Case: strings.TrimSuffix(plan, "/plans/1"), Occasion: "stop"})
	x.must(err)
	asked := section(got, "asked-of-you").GetItems()[0]
	if asked.GetText() != "decide with the patient how to go on" || !strings.Contains(asked.GetBecause(), "what becomes of the tooth") {
		t.Errorf("%v", asked)
	}
}
