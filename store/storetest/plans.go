package storetest

import (
	"errors"
	"fmt"
	"reflect"
	"sync"

	"github.com/visitwright/visitwright/store"
)

func days(n int) *int { return &n }

// twoVisits is a plan of one option with two visits, the second 7 to 21 days later.
func twoVisits(caseID string, base int) store.NewPlanRevision {
	return store.NewPlanRevision{CaseID: caseID, Base: base, Cause: "proposal", Recommended: "two-visits",
		ModelVersion: "m1", DataVersion: "d1", CalibrationVersion: "c0", Document: []byte(fmt.Sprintf("plan %d", base+1)),
		Visits: []store.PlannedVisit{
			{Option: "two-visits", Visit: 1, Minutes: 75, NeedPermille: 1000},
			{Option: "two-visits", Visit: 2, Minutes: 60, EarliestDays: days(7), TargetDays: days(14), LatestDays: days(21), IfNeeded: true, NeedPermille: 900},
		}}
}

var planTests = map[string]func(*bench){
	"each version of an assessment stays": func(b *bench) {
		c := b.openCase(ours)
		diagnosis := "necrotic"
		for i := range 3 {
			a, err := b.s.SaveAssessment(b.ctx, call(ours), store.NewAssessment{CaseID: c.ID, Base: i, Document: []byte{byte(i)}, Diagnosis: &diagnosis})
			b.must(err)
			if a.Version != i+1 {
				b.Errorf("version %d, want %d", a.Version, i+1)
			}
		}
		_, err := b.s.SaveAssessment(b.ctx, call(ours), store.NewAssessment{CaseID: c.ID, Base: 2, Document: []byte{9}})
		wantKind(b, err, store.ErrStaleEtag)
		first, err := b.s.GetAssessment(b.ctx, call(ours), c.ID, 1)
		b.must(err)
		last, err := b.s.GetAssessment(b.ctx, call(ours), c.ID, 0)
		b.must(err)
		if first.Document[0] != 0 || last.Document[0] != 2 || last.Version != 3 {
			b.Errorf("first %v, last %v", first, last)
		}
		got, err := b.s.GetCase(b.ctx, call(ours), c.ID)
		b.must(err)
		if got.State != store.CaseAssessed || got.Diagnosis != diagnosis || got.Assessment != 3 {
			b.Errorf("the case is %+v", got)
		}
	},
	"revisions are numbered without gaps and never change": func(b *bench) {
		c := b.openCase(ours)
		const writers = 6
		var wg sync.WaitGroup
		for range writers {
			wg.Go(func() {
				for {
					got, err := b.s.GetCase(b.ctx, call(ours), c.ID)
					if err != nil {
						b.Error(err)
						return
					}
					_, err = b.s.SavePlanRevision(b.ctx, call(ours), twoVisits(c.ID, got.Revision))
					if err == nil {
						return
					}
					if !errors.Is(err, store.ErrStaleEtag) {
						b.Error(err)
						return
					}
				}
			})
		}
		wg.Wait()
		list, next, err := b.s.ListPlanRevisions(b.ctx, call(ours), c.ID, store.Page{})
		b.must(err)
		if len(list) != writers || next != "" {
			b.Fatalf("%d revisions, want %d", len(list), writers)
		}
		for i, r := range list {
			if r.Revision != writers-i || r.Document != nil || len(r.Visits) != 2 {
				b.Errorf("place %d holds revision %d with %d visits", i, r.Revision, len(r.Visits))
			}
		}
		page, next, err := b.s.ListPlanRevisions(b.ctx, call(ours), c.ID, store.Page{Size: 4})
		b.must(err)
		rest, _, err := b.s.ListPlanRevisions(b.ctx, call(ours), c.ID, store.Page{Size: 4, After: next})
		b.must(err)
		if !reflect.DeepEqual(append(page, rest...), list) {
			b.Error("pages differ from the whole")
		}
	},
	"a revision comes back byte for byte": func(b *bench) {
		c := b.openCase(ours)
		in := twoVisits(c.ID, 0)
		made, err := b.s.SavePlanRevision(b.ctx, call(ours), in)
		b.must(err)
		got, err := b.s.GetPlanRevision(b.ctx, call(ours), c.ID, 0)
		b.must(err)
		if !reflect.DeepEqual(made, got) {
			b.Errorf("made %+v\nread %+v", made, got)
		}
		_, err = b.s.GetPlanRevision(b.ctx, call(ours), c.ID, 2)
		wantKind(b, err, store.ErrNotFound)
	},
	"only an option of the latest revision is accepted": func(b *bench) {
		c := b.openCase(ours)
		_, err := b.s.AcceptOption(b.ctx, call(ours), store.NewAcceptance{CaseID: c.ID, Option: "two-visits"})
		wantKind(b, err, store.ErrStaleEtag) // there is no plan yet
		for base := range 2 {
			_, err := b.s.SavePlanRevision(b.ctx, call(ours), twoVisits(c.ID, base))
			b.must(err)
		}
		consent := store.Consent{Given: true, By: "patient", Time: Start}
		_, err = b.s.AcceptOption(b.ctx, call(ours), store.NewAcceptance{CaseID: c.ID, Revision: 1, Option: "two-visits", Consent: consent})
		wantKind(b, err, store.ErrStaleEtag)
		_, err = b.s.AcceptOption(b.ctx, call(ours), store.NewAcceptance{CaseID: c.ID, Revision: 2, Option: "ten-visits", Consent: consent})
		wantProblem(b, err, store.ErrNotFound, "option")
		_, err = b.s.AcceptOption(b.ctx, call(ours), store.NewAcceptance{CaseID: c.ID, Revision: 2, Option: "two-visits", Clinician: "nobody", Consent: consent})
		wantKind(b, err, store.ErrNotFound)
		made, err := b.s.AcceptOption(b.ctx, call(ours), store.NewAcceptance{CaseID: c.ID, Revision: 2, Option: "two-visits", Consent: consent, Against: "the patient's own wish"})
		b.must(err)
		got, err := b.s.GetPlanRevision(b.ctx, call(ours), c.ID, 2)
		b.must(err)
		if got.Acceptance == nil || !reflect.DeepEqual(*got.Acceptance, made) {
			b.Errorf("accepted %+v, read %+v", made, got.Acceptance)
		}
		now, err := b.s.GetCase(b.ctx, call(ours), c.ID)
		b.must(err)
		if now.State != store.CasePlanned {
			b.Errorf("the case is %s, want planned", now.State)
		}
	},
	"a closed case gets no plan": func(b *bench) {
		c := b.openCase(ours)
		_, err := b.s.CloseCase(b.ctx, call(ours), store.CaseClosing{ID: c.ID, Reason: store.ClosedDeclined})
		b.must(err)
		_, err = b.s.SavePlanRevision(b.ctx, call(ours), twoVisits(c.ID, 0))
		wantKind(b, err, store.ErrWrongState)
	},
	"a window that ends before it begins is refused": func(b *bench) {
		c := b.openCase(ours)
		r := twoVisits(c.ID, 0)
		r.Visits[1].LatestDays = days(3)
		_, err := b.s.SavePlanRevision(b.ctx, call(ours), r)
		wantProblem(b, err, store.ErrInvalid, "visits.latest_days")
	},
	"the database itself keeps what is append-only": func(b *bench) {
		c := b.openCase(ours)
		_, err := b.s.SaveAssessment(b.ctx, call(ours), store.NewAssessment{CaseID: c.ID, Document: []byte("a")})
		b.must(err)
		_, err = b.s.SavePlanRevision(b.ctx, call(ours), twoVisits(c.ID, 0))
		b.must(err)
		_, err = b.s.AcceptOption(b.ctx, call(ours), store.NewAcceptance{CaseID: c.ID, Revision: 1, Option: "two-visits"})
		b.must(err)
		raw := b.place.Raw(b.T)
		for _, table := range []string{"assessments", "plan_revisions", "planned_visits", "acceptances", "audit"} {
			for _, text := range []string{"UPDATE " + table + " SET practice_id = practice_id", "DELETE FROM " + table} {
				if _, err := raw.Exec(text); err == nil {
					b.Errorf("%s: done, want refused", text)
				}
			}
			var n int
			b.must(raw.QueryRow("SELECT count(*) FROM " + table).Scan(&n))
			if n == 0 {
				b.Errorf("%s is empty: the refusal was not tested", table)
			}
		}
	},
}
