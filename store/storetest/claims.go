package storetest

import (
	"errors"
	"time"

	"github.com/visitwright/visitwright/store"
)

func clientsClaim(b *bench) {
	s := newSurgery(b, ours)
	p, err := b.s.GetPractice(b.ctx, call(ours))
	b.must(err)
	integration := store.CarrierIntegration
	p, err = b.s.UpdatePractice(b.ctx, call(ours), store.PracticeUpdate{Etag: p.Etag, Carrier: &integration})
	b.must(err)
	b.plan(s, b.owed(s.patient, "o/1", true), b.owed(s.patient, "o/2", true), b.owed(s.patient, "o/3", true))
	if got := b.claim(10); len(got) != 0 {
		b.Fatalf("this server claimed what an integration sends: %+v", got)
	}
	claim := func(worker string, most int) ([]store.Claim, bool) {
		list, room, err := b.s.ClaimForIntegration(b.ctx, call(ours), worker, most, time.Minute)
		b.must(err)
		return list, room
	}
	first, room := claim("a", 2)
	if len(first) != 2 || room {
		b.Fatalf("%d of 2, room %v", len(first), room)
	}
	if more, room := claim("a", 2); len(more) != 0 || room {
		b.Errorf("full hands got %d more, room %v", len(more), room)
	}
	if others, room := claim("b", 10); len(others) != 1 || !room {
		b.Errorf("the other client got %d, room %v", len(others), room)
	}
	if _, _, err := b.s.ClaimForIntegration(b.ctx, call(theirs), "a", 10, time.Minute); err != nil {
		b.Error(err)
	}
	held, err := b.s.ClaimsInHand(b.ctx, call(ours), "a")
	b.must(err)
	if len(held) != 2 {
		b.Errorf("in hand: %+v", held)
	}
	sending := func(m store.Message, _ store.Standing) (store.Verdict, error) {
		v := store.Verdict{To: store.MessageSending, Channel: "text", Lease: time.Minute}
		if m.Routine {
			v.RoutineDay = "2026-03-03"
		}
		return v, nil
	}
	collect := func(c store.Call, m store.Claim) (store.Verdict, error) {
		v, _, err := b.s.CollectMessage(b.ctx, c, m.ID, m.Attempt, sending)
		return v, err
	}
	_, err = collect(call(theirs), first[0])
	wantKind(b, err, store.ErrNotFound)
	v, err := collect(call(ours), first[0])
	b.must(err)
	second, err := collect(call(ours), first[1])
	b.must(err)
	if v.To != store.MessageSending || second.To != store.MessageWaiting {
		b.Errorf("two routine messages of one day: %+v, %+v", v, second)
	}
	sent := func(store.Message, time.Time) store.Verdict { return store.Verdict{To: store.MessageSent} }
	for range 2 { // said twice, it is said once
		m, err := b.s.EndClaim(b.ctx, call(ours), first[0].ID, first[0].Attempt, sent)
		b.must(err)
		if m.State != store.MessageSent || m.Channel != "text" {
			b.Errorf("%+v", m)
		}
	}
	_, err = b.s.EndClaim(b.ctx, call(ours), first[1].ID, first[1].Attempt, sent)
	wantKind(b, err, store.ErrWrongState)
	house := store.CarrierHouse
	_, err = b.s.UpdatePractice(b.ctx, call(ours), store.PracticeUpdate{Etag: p.Etag, Carrier: &house})
	b.must(err)
	b.clock.Advance(2 * time.Minute) // the lease of "b" ended
	mine := b.claim(10)
	if len(mine) != 1 || mine[0].Attempt != 2 {
		b.Fatalf("after the lease: %+v", mine)
	}
	_, err = b.s.EndClaim(b.ctx, call(ours), mine[0].ID, 2, sent) // this server's, not a client's
	wantKind(b, err, store.ErrWrongState)
}

func passedOnce(b *bench) {
	c := b.openCase(ours)
	row := store.FollowUp{CaseID: c.ID, PatientID: c.PatientID, Key: "return/2026-02-01", Kind: "return-visit", State: "overdue", Actor: "clinician",
		Earliest: "2026-02-08", Target: "2026-02-14", Latest: "2026-03-01", ActOn: "2026-02-01", Reason: "because", Replan: "dress again"}
	keep := func(rows ...store.FollowUp) {
		_, err := b.s.LookAtCare(b.ctx, call(ours), c.ID, func(store.Care) (store.CareResult, error) {
			return store.CareResult{Keep: true, Document: []byte("x"), FollowUps: rows}, nil
		})
		b.must(err)
	}
	keep(row)
	passed := func() []store.PassedDate {
		list, err := b.s.PassedDates(b.ctx, 10)
		b.must(err)
		return list
	}
	d := passed()
	if len(d) != 1 || d[0] != (store.PassedDate{Practice: ours, CaseID: c.ID, Key: row.Key, Step: row.Replan}) {
		b.Fatalf("%+v", d)
	}
	plan := twoVisits(c.ID, 0)
	plan.Passed = &d[0]
	made, err := b.s.SavePlanRevision(b.ctx, call(ours), plan)
	b.must(err)
	plan = twoVisits(c.ID, made.Revision)
	plan.Passed = &d[0]
	if _, err := b.s.SavePlanRevision(b.ctx, call(ours), plan); !errors.Is(err, store.ErrExists) {
		b.Errorf("a second plan for one date: %v", err)
	}
	if first, err := b.s.KeepPassed(b.ctx, call(ours), d[0], 0, "no"); err != nil || first {
		b.Errorf("%v %v", first, err)
	}
	got, err := b.s.GetCase(b.ctx, call(ours), c.ID)
	b.must(err)
	list, _, err := b.s.ListFollowUps(b.ctx, call(ours), store.FollowUpQuery{})
	b.must(err)
	if got.Revision != 1 || len(passed()) != 0 || len(list) != 1 || list[0].ProposedRevision != 1 {
		b.Errorf("revision %d, left %+v, listed %+v", got.Revision, passed(), list)
	}
	row.Replan = "clean again"
	keep(row)
	d = passed()
	if len(d) != 1 || d[0].Step != "clean again" {
		b.Fatalf("the next date: %+v", d)
	}
	if first, err := b.s.KeepPassed(b.ctx, call(ours), d[0], 0, "no assessment"); err != nil || !first {
		b.Errorf("%v %v", first, err)
	}
	list, _, err = b.s.ListFollowUps(b.ctx, call(ours), store.FollowUpQuery{CaseID: c.ID})
	b.must(err)
	if len(list) != 1 || list[0].PlanProblem != "no assessment" || len(passed()) != 0 {
		b.Errorf("%+v", list)
	}
}
