package scheduler_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/type/timeofday"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/scheduler"
	"github.com/visitwright/visitwright/scheduler/channel"
	"github.com/visitwright/visitwright/store"
)

// post is a receiver that shows a letter once for one id.
type post struct {
	mu      sync.Mutex
	letters []channel.Letter
	seen    map[string]int // by id: times at the wire
	fail    func(n int) error
	wire    int
}

func (p *post) Send(_ context.Context, l channel.Letter) error {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.wire++
	if p.fail != nil {
		if err := p.fail(p.wire); err != nil {
			return err
		}
	}
	if p.seen[l.ID]++; p.seen[l.ID] == 1 {
		p.letters = append(p.letters, l)
	}
	return nil
}

func (p *post) take() []channel.Letter {
	p.mu.Lock()
	defer p.mu.Unlock()
	out := p.letters
	p.letters = nil
	return out
}

// in is a context as the server's chain leaves it.
func (x *follows) in() context.Context { return incoming(x.Context()) }

func (x *follows) refused(err error, code codes.Code, want string) {
	x.Helper()
	code2, reason2 := faultOf(err)
	if code2 != code || reason2 != want {
		x.Errorf("got %v %s, want %v %s: %v", code2, reason2, code, want, err)
	}
}

func (x *follows) messages(state string) []*vw.Message {
	x.Helper()
	got, err := x.f.ListMessages(x.in(), &vw.ListMessagesRequest{Parent: "practices/" + willow, State: state})
	x.must(err)
	return got.GetMessages()
}

// booked books the patient for Thursday, 15 January 2026, 09:00.
func (x *follows) booked() *vw.Booking {
	x.Helper()
	b, err := x.byHand(x.Context(), x.patient, "2026-01-15 09:00", 60)
	x.must(err)
	x.sweeps()
	return b
}

// tenDays pass, with a sweep every hour.
func (x *follows) tenDays() {
	x.Helper()
	for range 10 * 24 {
		x.clock.Advance(time.Hour)
		x.sweeps()
	}
}

func kinds(list []channel.Letter) (out []string) {
	for _, l := range list {
		out = append(out, l.Kind)
	}
	return out
}

func TestABookingIsConfirmedAndRemindedOfOnce(t *testing.T) {
	x := newFollows(t, options{})
	x.writes()
	x.booked()
	x.tenDays()
	if got := fmt.Sprint(kinds(x.post.take())); got != "[confirmation upcoming upcoming]" {
		t.Errorf("%s", got)
	}
}

func TestCancellingOneSecondBeforeAReminderStopsIt(t *testing.T) {
	x := newFollows(t, options{})
	x.writes()
	b := x.booked()
	x.post.take()
	// The first reminder leaves on 12 January at 10:00 in Vienna, 09:00 UTC.
	x.to(time.Date(2026, 1, 12, 8, 59, 59, 0, time.UTC))
	_, err := x.client.CancelAppointment(x.Context(), &vw.CancelAppointmentRequest{Name: b.GetAppointments()[0].GetName(), Etag: b.GetAppointments()[0].GetEtag(), Reason: "patient-asked"})
	x.must(err)
	x.clock.Advance(time.Second)
	// No sweep has heard of the cancellation: the last look alone stops it.
	_, err = x.sender.Send(t.Context(), 100)
	x.must(err)
	if got := x.post.take(); len(got) != 0 {
		t.Errorf("left: %v", kinds(got))
	}
	if got := x.messages("cancelled"); len(got) != 1 {
		t.Errorf("cancelled: %v", got)
	}
}

func TestWhoOptedOutHearsNothing(t *testing.T) {
	x := newFollows(t, options{})
	x.writes()
	x.booked()
	x.post.take()
	_, err := x.f.SetContactWishes(x.in(), &vw.SetContactWishesRequest{Wishes: &vw.ContactWishes{Patient: x.patient, Channel: "none", OptedOut: true}})
	x.must(err)
	for range 10 {
		x.clock.Advance(24 * time.Hour)
		x.sweeps()
	}
	if got := x.post.take(); len(got) != 0 {
		t.Errorf("left: %v", kinds(got))
	}
}

// Whatever the moment at which a worker dies, the letter arrives, and a
// receiver that honours its id shows it once.
func TestAWorkerThatDiesLosesNoLetterAndShowsNoneTwice(t *testing.T) {
	for _, row := range []struct {
		at   scheduler.Moment
		wire int
	}{{scheduler.AfterClaim, 1}, {scheduler.BeforeData, 1}, {scheduler.AfterTaken, 2}, {scheduler.BeforeCommit, 2}} {
		t.Run(string(row.at), func(t *testing.T) {
			x := newFollows(t, options{})
			x.writes()
			died := false
			x.sender.Dies = func(at scheduler.Moment) error {
				if at == row.at && !died {
					died = true
					return errors.New("killed")
				}
				return nil
			}
			_, err := x.byHand(x.Context(), x.patient, "2026-01-15 09:00", 60)
			x.must(err)
			_, err = x.f.Refresh(t.Context(), "")
			x.must(err)
			if _, err := x.sender.Send(t.Context(), 10); err == nil || !died {
				t.Fatal("the worker lived on")
			}
			x.clock.Advance(3 * time.Minute) // the lease is over
			for range 3 {
				_, err = x.sender.Send(t.Context(), 10)
				x.must(err)
			}
			if got := kinds(x.post.take()); len(got) != 1 || x.post.wire != row.wire {
				t.Errorf("shown %v, at the wire %d, want %d", got, x.post.wire, row.wire)
			}
			if len(x.messages("sent")) != 1 {
				t.Errorf("kept: %v", x.messages(""))
			}
		})
	}
}

// wording sets the practice's own words for a kind in a language.
func (x *follows) wording(kind, language, subject, body string) {
	x.Helper()
	p, err := x.f.GetMessagePolicy(x.in(), &vw.GetMessagePolicyRequest{Name: "practices/" + willow + "/messagePolicy"})
	x.must(err)
	p.Templates = append(p.GetTemplates(), &vw.MessageTemplate{Kind: kind, Language: language, Subject: subject, Body: body})
	_, err = x.f.UpdateMessagePolicy(x.in(), &vw.UpdateMessagePolicyRequest{Policy: p})
	x.must(err)
}

// A new time is told at once, in the night too and beside the day's routine
// message; what was planned for the old one is cancelled.
func TestAMovedAndACancelledAppointmentAreToldAtOnce(t *testing.T) {
	x := newFollows(t, options{})
	x.writes()
	b := x.booked()
	if got := kinds(x.post.take()); fmt.Sprint(got) != "[confirmation]" {
		t.Fatalf("%v", got)
	}
	x.to(time.Date(2026, 1, 7, 21, 30, 0, 0, time.UTC)) // 22:30 in Vienna, quiet since 20:00
	a := b.GetAppointments()[0]
	moved, err := x.client.MoveAppointment(t.Context(), &vw.MoveAppointmentRequest{Name: a.GetName(), Etag: a.GetEtag(), Reason: "patient-asked", Place: &vw.Place{Start: at("2026-01-16 11:00"), Minutes: 60}})
	x.must(err)
	x.sweeps()
	got := x.post.take()
	if fmt.Sprint(kinds(got)) != "[moved]" || !strings.Contains(got[0].Body, "Friday 16 January at 11:00") {
		t.Errorf("after the move: %v", got)
	}
	if old := x.messages("cancelled"); len(old) != 2 { // the reminders of the old time
		t.Errorf("cancelled: %v", old)
	}
	_, err = x.client.CancelAppointment(t.Context(), &vw.CancelAppointmentRequest{Name: a.GetName(), Etag: moved.GetAppointment().GetEtag(), Reason: "patient-asked"})
	x.must(err)
	x.sweeps()
	if got := kinds(x.post.take()); fmt.Sprint(got) != "[cancelled]" {
		t.Errorf("after the cancellation: %v", got)
	}
	for range 12 {
		x.clock.Advance(24 * time.Hour)
		x.sweeps()
	}
	if left := x.post.take(); len(left) != 0 {
		t.Errorf("and then: %v", kinds(left))
	}
}

func TestAnOverdueReturnIsWrittenToTheDayAfterAndOnceMore(t *testing.T) {
	x := newFollows(t, options{})
	x.writes()
	_, err := x.f.RecordCare(x.in(), &vw.RecordCareRequest{Case: x.name, Left: &vw.RecordCareRequest_Open{Open: &vw.LeftOpen{Stop: "shaped-and-dressed", Medicament: "calcium-hydroxide", Temporary: "double-seal"}}})
	x.must(err)
	var left []string
	for range 60 {
		x.clock.Advance(24 * time.Hour)
		x.sweeps()
		for _, l := range x.post.take() {
			left = append(left, x.clock.Now().Format("2 January ")+l.Kind)
		}
	}
	// Latest day 4 February, 28 days of calcium hydroxide; messages leave at 10:00, the sweep of this test at 09:00.
	if fmt.Sprint(left) != "[6 February return-overdue 9 February return-overdue]" {
		t.Errorf("%v", left)
	}
}

func TestAPatientIsWrittenToInTheirOwnLanguageWhereThePracticeHasIt(t *testing.T) {
	x := newFollows(t, options{})
	x.writes()
	x.wording("confirmation", "de", "Ihr Termin", "Am [day] um [time].")
	x.wording("upcoming", "fr", "Rappel", "[day]")
	_, err := x.store.SetContactWishes(t.Context(), x.call(), store.ContactWishes{PatientID: x.patientID, Channel: "email", ConsentDay: "2026-01-07", Language: "de"})
	x.must(err)
	x.booked()
	if got := x.post.take(); len(got) != 1 || got[0].Subject != "Ihr Termin" {
		t.Errorf("%v", got)
	}
	x.to(time.Date(2026, 1, 12, 9, 0, 0, 0, time.UTC))
	x.sweeps()
	if got := x.post.take(); len(got) != 1 || !strings.HasPrefix(got[0].Subject, "Reminder") { // neither German nor French fits: the neutral wording that ships
		t.Errorf("%v", got)
	}
}

// Every invitation speaks of the same day, however late it is.
func TestEachInvitationNamesTheDayOfTheReview(t *testing.T) {
	x := newFollows(t, options{zone: "Europe/London", now: filledOn})
	x.writes()
	x.filled()
	seen := map[string]int{}
	for range 190 {
		x.clock.Advance(24 * time.Hour)
		x.sweeps()
		for _, l := range x.post.take() {
			if l.Kind == "review-invitation" {
				_, after, _ := strings.Cut(l.Body, "around ")
				day, _, _ := strings.Cut(after, ".")
				seen[day]++
			}
		}
	}
	if len(seen) != 1 || seen["Monday 1 March"] != 3 {
		t.Errorf("%v", seen)
	}
}

func TestBadInputAboutMessagesIsRefusedAndNothingIsKept(t *testing.T) {
	x := newFollows(t, options{})
	x.writes()
	name := "practices/" + willow + "/messagePolicy"
	before, err := x.f.GetMessagePolicy(x.in(), &vw.GetMessagePolicyRequest{Name: name})
	x.must(err)
	clock := func(h int32) *timeofday.TimeOfDay { return &timeofday.TimeOfDay{Hours: h} }
	for what, change := range map[string]func(*vw.MessagePolicy){
		"a template with an unknown field": func(p *vw.MessagePolicy) {
			p.Templates = []*vw.MessageTemplate{{Kind: "upcoming", Language: "en", Subject: "s", Body: "[tooth]"}}
		},
		"a kind of message that is none": func(p *vw.MessagePolicy) {
			p.Templates = []*vw.MessageTemplate{{Kind: "advert", Language: "en", Subject: "s", Body: "b"}}
		},
		"a reminder in the quiet hours":     func(p *vw.MessagePolicy) { p.Leads = []*vw.ReminderLead{{Days: 1, Time: clock(23)}} },
		"an invitation a day ahead":         func(p *vw.MessagePolicy) { p.InviteDays = 1 },
		"attempts on consecutive days":      func(p *vw.MessagePolicy) { p.RepeatDays = 1 },
		"an hour that is none":              func(p *vw.MessagePolicy) { p.Time = clock(25) },
		"messages at night, as their usual": func(p *vw.MessagePolicy) { p.Time = clock(3) },
	} {
		t.Run(what, func(t *testing.T) {
			p := proto.CloneOf(before)
			change(p)
			_, err := x.f.UpdateMessagePolicy(x.in(), &vw.UpdateMessagePolicyRequest{Policy: p})
			x.refused(err, codes.InvalidArgument, "INVALID_FIELD")
			after, err := x.f.GetMessagePolicy(x.in(), &vw.GetMessagePolicyRequest{Name: name})
			x.must(err)
			if !proto.Equal(before, after) {
				t.Errorf("kept: %v", after)
			}
		})
	}
	for _, address := range []string{"nobody", "a@b\r\nBcc: c@d.example", "two@x.example, three@x.example", "Name <a@b.example>"} {
		p, err := x.store.GetPatient(t.Context(), x.call(), x.patientID2)
		x.must(err)
		if _, err := x.store.UpdatePatient(t.Context(), x.call(), store.PatientUpdate{ID: p.ID, Etag: p.Etag, Contact: &store.Contact{Address: address}}); err != nil {
			continue // the record itself refuses it
		}
		_, err = x.f.SetContactWishes(x.in(), &vw.SetContactWishesRequest{Wishes: &vw.ContactWishes{Patient: x.patient2, Channel: "email", ConsentDate: day("2026-01-07")}})
		x.refused(err, codes.InvalidArgument, "INVALID_FIELD")
	}
	w, err := x.f.GetContactWishes(x.in(), &vw.GetContactWishesRequest{Patient: x.patient2})
	x.must(err)
	if w.GetChannel() != "none" {
		t.Errorf("kept: %v", w)
	}
	c := x.served(x.f)
	for what, r := range map[string]*vw.FailMessageRequest{
		"no attempt":      {Name: "practices/" + willow + "/messages/m1", Outcome: "temporary"},
		"no such outcome": {Name: "practices/" + willow + "/messages/m1", Attempt: 1, Outcome: "lost"},
	} {
		if _, err := c.FailMessage(asIntegration(t.Context()), r); status.Code(err) != codes.InvalidArgument {
			t.Errorf("%s: %v", what, err)
		}
	}
	_, err = c.FailMessage(asIntegration(t.Context()), &vw.FailMessageRequest{Name: "practices/" + willow + "/messages/m1", Attempt: 1, Outcome: "temporary"})
	x.want(err, codes.NotFound, "MESSAGE_NOT_FOUND")
	s, err := c.ClaimMessages(asIntegration(t.Context()), &vw.ClaimMessagesRequest{Parent: "practices/" + willow, LeaseSeconds: 5})
	x.must(err)
	_, err = s.Recv()
	x.want(err, codes.InvalidArgument, "INVALID_FIELD")
}

// The patient was last told the other time: the first confirmation is no word
// about the return to its time, and its reminders were called back.
func TestAnAppointmentThatMovesBackIsToldAndRemindedOfAgain(t *testing.T) {
	x := newFollows(t, options{})
	x.writes()
	a := x.booked().GetAppointments()[0]
	x.post.take()
	for _, to := range []string{"2026-01-16 11:00", "2026-01-15 09:00"} {
		moved, err := x.client.MoveAppointment(t.Context(), &vw.MoveAppointmentRequest{Name: a.GetName(), Etag: a.GetEtag(), Reason: "patient-asked", Place: &vw.Place{Start: at(to), Minutes: 60}})
		x.must(err)
		a = moved.GetAppointment()
		x.sweeps()
	}
	got := x.post.take()
	if fmt.Sprint(kinds(got)) != "[moved moved]" || !strings.Contains(got[1].Body, "Thursday 15 January at 09:00") {
		t.Errorf("told %v", got)
	}
	x.tenDays()
	if got := fmt.Sprint(kinds(x.post.take())); got != "[upcoming upcoming]" {
		t.Errorf("%s", got)
	}
}

// A mark made too early and taken back leaves the reminders as they were.
func TestAMarkTakenBackKeepsTheReminders(t *testing.T) {
	x := newFollows(t, options{})
	x.writes()
	a := x.booked().GetAppointments()[0]
	x.post.take()
	for _, state := range []vw.Appointment_State{vw.Appointment_STATE_ARRIVED, vw.Appointment_STATE_BOOKED} {
		var err error
		a, err = x.client.RecordAttendance(t.Context(), &vw.RecordAttendanceRequest{Name: a.GetName(), Etag: a.GetEtag(), State: state})
		x.must(err)
		x.sweeps()
	}
	x.tenDays()
	if got := fmt.Sprint(kinds(x.post.take())); got != "[upcoming upcoming]" {
		t.Errorf("%s", got)
	}
}
