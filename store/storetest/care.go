package storetest

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/visitwright/visitwright/store"
)

var careTests = map[string]func(*bench){
	"a booking, a cancellation and a closed case each leave a cause in their own transaction":  causesFollow,
	"an occasion planned twice is one message, and one of a moved appointment is cancelled":    oneOccasion,
	"who lost the lease changes nothing any more":                                              leasesFence,
	"a person gets one routine message a day, whoever sends it":                                oneRoutineADay,
	"a job that is due runs on one replica":                                                    oneReplicaRuns,
	"what is due is found once, and not after it was looked at":                                careFound,
	"reviews are counted for their own practice, by month, outcome and whether they were held": reviewsCounted,
	"an integration's claims hold until their lease ends, and this server leaves them alone":   clientsClaim,
	"a latest date that passed makes one plan, whoever finds it":                               passedOnce,
	"another practice's messages and follow-ups cannot be seen or tried again":                 careWalls,
}

func nothing(context.Context, string, store.Appointment, []store.Message, time.Time) ([]store.NewMessage, error) {
	return nil, nil
}

func (b *bench) causes(plan store.PlanAppointment) int {
	b.Helper()
	n, err := b.s.TakeCauses(b.ctx, "", 1000, plan)
	b.must(err)
	return n
}

func causesFollow(b *bench) {
	s := newSurgery(b, ours)
	b.causes(nothing)
	c, err := b.s.CreateCase(b.ctx, call(ours), store.Case{PatientID: s.patient.ID, Tooth: 46})
	b.must(err)
	n := s.one(s.room, 480, 540)
	n.Visits[0].Cases = []store.VisitOf{{CaseID: c.ID}}
	a := s.book(n).Appointments[0]
	seen := 0
	count := func(_ context.Context, practice string, got store.Appointment, _ []store.Message, _ time.Time) ([]store.NewMessage, error) {
		if practice != ours || got.ID != a.ID {
			b.Errorf("asked about %s of %s", got.ID, practice)
		}
		seen++
		return nil, nil
	}
	if b.causes(count); seen != 1 {
		b.Errorf("a booking is asked about %d times", seen)
	}
	if b.causes(count) != 0 {
		b.Error("a cause is taken twice")
	}
	_, err = b.s.CloseCase(b.ctx, call(ours), store.CaseClosing{ID: c.ID, Reason: store.ClosedDied})
	b.must(err)
	if b.causes(count); seen != 2 { // its cancelled appointment
		b.Errorf("after closing: asked %d times", seen)
	}
}

func (b *bench) owed(p store.Patient, occasion string, routine bool) store.NewMessage {
	now := b.clock.Now()
	return store.NewMessage{Occasion: occasion, PatientID: p.ID, Kind: "upcoming", Routine: routine, NotBefore: now, UselessAt: now.Add(240 * time.Hour)}
}

// plan keeps messages by way of an appointment's cause.
func (b *bench) plan(s *surgery, list ...store.NewMessage) {
	b.Helper()
	n := s.one(s.room, 480, 540)
	for i := range n.Visits {
		for range b.shift {
			n.Visits[i].Start = n.Visits[i].Start.Add(24 * time.Hour)
			n.Visits[i].End = n.Visits[i].End.Add(24 * time.Hour)
			for j := range n.Visits[i].Spans {
				n.Visits[i].Spans[j].Start = n.Visits[i].Spans[j].Start.Add(24 * time.Hour)
				n.Visits[i].Spans[j].End = n.Visits[i].Spans[j].End.Add(24 * time.Hour)
			}
		}
	}
	b.shift++
	s.book(n)
	b.causes(func(context.Context, string, store.Appointment, []store.Message, time.Time) ([]store.NewMessage, error) {
		out := list
		list = nil
		return out, nil
	})
}

func (b *bench) claim(limit int) []store.Message {
	b.Helper()
	got, err := b.s.ClaimMessages(b.ctx, "w", limit, time.Minute)
	b.must(err)
	return got
}

func send(day string) func(store.Standing) (store.Verdict, error) {
	return func(store.Standing) (store.Verdict, error) {
		return store.Verdict{To: store.MessageSending, Channel: "email", RoutineDay: day}, nil
	}
}

func oneOccasion(b *bench) {
	s := newSurgery(b, ours)
	b.plan(s, b.owed(s.patient, "o/1", true))
	b.plan(s, b.owed(s.patient, "o/1", true), b.owed(s.patient, "o/2", true))
	if got := b.claim(10); len(got) != 2 {
		b.Fatalf("%d messages of 2 occasions", len(got))
	}
	n := s.one(s.room2, 600, 660)
	a := s.book(n).Appointments[0]
	b.causes(func(_ context.Context, _ string, got store.Appointment, known []store.Message, _ time.Time) ([]store.NewMessage, error) {
		m := b.owed(s.patient, fmt.Sprintf("up/%d", got.Start.Unix()), true)
		m.Appointment, m.Start, m.NotBefore = got.ID, got.Start, got.Start.Add(-time.Hour)
		return []store.NewMessage{m}, nil
	})
	_, err := b.s.ChangeAppointment(b.ctx, call(ours), store.StateChange{ID: a.ID, To: store.StateCancelled, Reason: "patient"})
	b.must(err)
	b.causes(nothing)
	list, _, err := b.s.ListMessages(b.ctx, call(ours), store.MessageQuery{State: store.MessageCancelled})
	b.must(err)
	if len(list) != 1 || list[0].Appointment != a.ID {
		b.Errorf("cancelled: %+v", list)
	}
}

func leasesFence(b *bench) {
	s := newSurgery(b, ours)
	b.plan(s, b.owed(s.patient, "o/1", false))
	first := b.claim(10)[0]
	if again := b.claim(10); len(again) != 0 {
		b.Fatalf("claimed twice: %+v", again)
	}
	b.clock.Advance(2 * time.Minute)
	second := b.claim(10)[0]
	if second.Attempt != first.Attempt+1 || second.ID != first.ID {
		b.Fatalf("after the lease: %+v", second)
	}
	_, err := b.s.BeginSending(b.ctx, first, send(""))
	wantKind(b, err, store.ErrWrongState)
	_, err = b.s.BeginSending(b.ctx, second, send(""))
	b.must(err)
	wantKind(b, b.s.EndSending(b.ctx, first, store.Verdict{To: store.MessageSent}), store.ErrWrongState)
	b.must(b.s.EndSending(b.ctx, second, store.Verdict{To: store.MessageSent, Channel: "email"}))
	b.clock.Advance(time.Hour)
	if left := b.claim(10); len(left) != 0 {
		b.Errorf("sent, and claimed again: %+v", left)
	}
	_, err = b.s.RetryMessage(b.ctx, call(ours), second.ID)
	wantKind(b, err, store.ErrWrongState)
}

func oneRoutineADay(b *bench) {
	s := newSurgery(b, ours)
	b.plan(s, b.owed(s.patient, "o/1", true), b.owed(s.patient, "o/2", true), b.owed(s.patient, "o/3", false))
	left := 0
	for _, m := range b.claim(10) {
		day := ""
		if m.Routine {
			day = "2026-03-03"
		}
		v, err := b.s.BeginSending(b.ctx, m, send(day))
		b.must(err)
		if v.To == store.MessageSending {
			left++
		} else if v.To != store.MessageWaiting || !v.NotBefore.After(b.clock.Now()) {
			b.Errorf("the second of a day: %+v", v)
		}
	}
	if left != 2 {
		b.Errorf("%d left, want one routine and the one that is not", left)
	}
}

func oneReplicaRuns(b *bench) {
	other := OpenPlace(b.T, b.place, b.clock)
	ran := 0
	for _, s := range []*store.Store{b.s, other, b.s} {
		ok, err := s.BeginJob(b.ctx, "messages", time.Minute)
		b.must(err)
		if ok {
			ran++
		}
	}
	if ran != 1 {
		b.Fatalf("%d replicas ran one job", ran)
	}
	b.must(b.s.EndJob(b.ctx, "messages", time.Second, 7, true))
	b.clock.Advance(time.Minute)
	ok, err := other.BeginJob(b.ctx, "messages", time.Minute)
	b.must(err)
	b.must(other.EndJob(b.ctx, "messages", time.Second, 7, false))
	jobs, err := b.s.ListJobs(b.ctx)
	b.must(err)
	if !ok || len(jobs) != 1 || jobs[0].Failures != 1 || jobs[0].InARow != 0 || jobs[0].Did != 7 || jobs[0].Success.IsZero() {
		b.Errorf("%v %+v", ok, jobs)
	}
}

func careFound(b *bench) {
	c := b.openCase(ours)
	look := func(f func(store.Care) (store.CareResult, error)) {
		_, err := b.s.LookAtCare(b.ctx, call(ours), c.ID, f)
		b.must(err)
	}
	now := b.clock.Now()
	row := store.FollowUp{CaseID: c.ID, PatientID: c.PatientID, Key: "review/1", Kind: "review", State: "due", Actor: "reception",
		Earliest: "2026-03-01", Target: "2026-03-10", Latest: "2026-03-20", ActOn: "2026-03-01", Reason: "because"}
	look(func(store.Care) (store.CareResult, error) {
		return store.CareResult{Keep: true, About: "filled", Document: []byte("x"), FollowUps: []store.FollowUp{row}, Look: now.Add(time.Hour)}, nil
	})
	due := func() int {
		list, err := b.s.DueCare(b.ctx, "", 10)
		b.must(err)
		mine, err := b.s.DueCare(b.ctx, theirs, 10)
		b.must(err)
		if len(mine) != 0 {
			b.Errorf("theirs: %+v", mine)
		}
		return len(list)
	}
	if due() != 0 {
		b.Error("due before its time")
	}
	b.clock.Advance(time.Hour)
	if due() != 1 {
		b.Error("not due at its time")
	}
	look(func(at store.Care) (store.CareResult, error) {
		if string(at.Document) != "x" {
			b.Errorf("document %q", at.Document)
		}
		return store.CareResult{}, nil // a preview
	})
	if due() != 1 {
		b.Error("a preview changed something")
	}
	list, _, err := b.s.ListFollowUps(b.ctx, call(ours), store.FollowUpQuery{})
	b.must(err)
	row.Tooth = 46
	if len(list) != 1 || list[0] != row {
		b.Errorf("%+v", list)
	}
}

// reviewsCounted: the figures of a practice are counted where the reviews lie.
func reviewsCounted(b *bench) {
	patients := map[string]string{ours: b.openCase(ours).PatientID, theirs: b.openCase(theirs).PatientID}
	keep := func(practice string, reviews ...store.ReviewHeld) {
		c, err := b.s.CreateCase(b.ctx, call(practice), store.Case{PatientID: patients[practice], Tooth: 46})
		b.must(err)
		_, err = b.s.LookAtCare(b.ctx, call(practice), c.ID, func(store.Care) (store.CareResult, error) {
			return store.CareResult{Keep: true, About: "review", Document: []byte("x"), Reviews: reviews}, nil
		})
		b.must(err)
	}
	held := func(months int, outcome string) store.ReviewHeld {
		return store.ReviewHeld{Months: months, Held: true, Outcome: outcome, Day: "2026-03-01"}
	}
	missed := func(months int) store.ReviewHeld { return store.ReviewHeld{Months: months, Day: "2026-03-20"} }
	counted := func(practice string) []store.ReviewCount {
		got, err := b.s.CountReviews(b.ctx, call(practice))
		b.must(err)
		return got
	}
	if got := counted(ours); len(got) != 0 {
		b.Errorf("before any review: %+v", got)
	}
	keep(ours, held(6, "healing"), held(12, "healed"))
	keep(ours, held(6, "healing"), held(12, "not-healed"))
	keep(ours, missed(6), held(12, "healed"))
	keep(ours, missed(6), missed(12))
	keep(theirs, held(12, "healed"))
	want := []store.ReviewCount{
		{Months: 6, Held: true, Outcome: "healing", Count: 2}, {Months: 6, Count: 2},
		{Months: 12, Held: true, Outcome: "healed", Count: 2}, {Months: 12, Held: true, Outcome: "not-healed", Count: 1}, {Months: 12, Count: 1},
	}
	if got := counted(ours); !slices.Equal(got, want) {
		b.Errorf("counted %+v, want %+v", got, want)
	}
	if got := counted(theirs); !slices.Equal(got, []store.ReviewCount{{Months: 12, Held: true, Outcome: "healed", Count: 1}}) {
		b.Errorf("theirs: %+v", got)
	}
}

func careWalls(b *bench) {
	s := newSurgery(b, ours)
	b.plan(s, b.owed(s.patient, "o/1", false))
	m := b.claim(1)[0]
	list, _, err := b.s.ListMessages(b.ctx, call(theirs), store.MessageQuery{})
	b.must(err)
	follow, _, err := b.s.ListFollowUps(b.ctx, call(theirs), store.FollowUpQuery{})
	b.must(err)
	if len(list)+len(follow) != 0 {
		b.Errorf("%+v %+v", list, follow)
	}
	if _, err := b.s.RetryMessage(b.ctx, call(theirs), m.ID); !errors.Is(err, store.ErrNotFound) {
		b.Errorf("%v", err)
	}
	_, err = b.s.SetContactWishes(b.ctx, call(theirs), store.ContactWishes{PatientID: s.patient.ID, Channel: "email"})
	wantKind(b, err, store.ErrNotFound)
}
