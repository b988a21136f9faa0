package storetest

import (
	"bytes"
	"errors"
	"fmt"
	"sync"
	"time"

	"github.com/visitwright/visitwright/store"
)

func mark(id, kind string, minute int) store.ChairMark {
	return store.ChairMark{ID: id, Kind: kind, At: Start.Add(time.Duration(minute) * time.Minute), Document: []byte(kind + " " + id)}
}

// begun is a case with a plan and a visit that runs.
func (b *bench) begun() (store.Case, store.ChairVisit) {
	b.Helper()
	c := b.openCase(ours)
	_, err := b.s.SavePlanRevision(b.ctx, call(ours), twoVisits(c.ID, 0))
	b.must(err)
	v, err := b.s.BeginChairVisit(b.ctx, call(ours), beginning(c.ID))
	b.must(err)
	return c, v
}

func beginning(caseID string) store.NewChairVisit {
	return store.NewChairVisit{CaseID: caseID, Revision: 1, Option: "two-visits", Planned: 1, Minutes: 75, Document: []byte("as it stood"), Begin: mark("m1", "begin", 0)}
}

var chairTests = map[string]func(*bench){
	"a visit is in no appointment of another patient": surgeryTest(func(s *surgery) {
		c := s.openCase(ours)
		_, err := s.s.SavePlanRevision(s.ctx, call(ours), twoVisits(c.ID, 0))
		s.must(err)
		n := s.one(s.room, 480, 540)
		n.PatientID = s.patient2.ID
		v := beginning(c.ID)
		v.Appointment = s.book(n).Appointments[0].ID
		_, err = s.s.BeginChairVisit(s.ctx, call(ours), v)
		if !errors.Is(err, store.ErrInvalid) {
			s.Errorf("begun with %v", err)
		}
	}),
	"a visit is read back as its entries came in": func(b *bench) {
		c, v := b.begun()
		if v.Number != 1 || len(v.Marks) != 1 {
			b.Fatalf("began as %+v", v)
		}
		added, err := b.s.AddChairMarks(b.ctx, call(ours), store.NewChairMarks{CaseID: c.ID, Visit: 1, Base: 1, Marks: []store.ChairMark{mark("m2", "step-done", 9), mark("m3", "pause", 4)}})
		b.must(err)
		if added.Count != 3 {
			b.Errorf("%d entries", added.Count)
		}
		got, err := b.s.GetChairVisit(b.ctx, call(ours), c.ID, 0)
		b.must(err)
		if len(got.Marks) != 3 || got.Marks[2].ID != "m3" || !got.Marks[1].At.Equal(Start.Add(9*time.Minute)) || !bytes.Equal(got.Marks[1].Document, []byte("step-done m2")) || !bytes.Equal(got.Document, []byte("as it stood")) {
			b.Errorf("read back %+v", got)
		}
		after, err := b.s.GetCase(b.ctx, call(ours), c.ID)
		b.must(err)
		if after.State != store.CaseInTreatment {
			b.Errorf("the case is %s", after.State)
		}
	},
	"an entry that is sent twice is kept once, and its id never stands for another": func(b *bench) {
		c, _ := b.begun()
		both := []store.ChairMark{mark("m2", "pause", 3), mark("m3", "resume", 5)}
		_, err := b.s.AddChairMarks(b.ctx, call(ours), store.NewChairMarks{CaseID: c.ID, Visit: 1, Base: 1, Marks: both[:1]})
		b.must(err)
		// The connection was lost: everything comes again, with what is new.
		added, err := b.s.AddChairMarks(b.ctx, call(ours), store.NewChairMarks{CaseID: c.ID, Visit: 1, Base: 2, Marks: both})
		b.must(err)
		again, err := b.s.AddChairMarks(b.ctx, call(ours), store.NewChairMarks{CaseID: c.ID, Visit: 1, Base: 1, Marks: both})
		b.must(err)
		if added.Count != 3 || again.Count != 3 {
			b.Errorf("counts %d and %d, want 3", added.Count, again.Count)
		}
		_, err = b.s.AddChairMarks(b.ctx, call(ours), store.NewChairMarks{CaseID: c.ID, Visit: 1, Base: 3, Marks: []store.ChairMark{mark("m2", "resume", 3)}})
		wantKind(b, err, store.ErrRequestIDReused)
		_, err = b.s.AddChairMarks(b.ctx, call(ours), store.NewChairMarks{CaseID: c.ID, Visit: 1, Base: 3, Marks: []store.ChairMark{mark("m4", "pause", 6), mark("m4", "pause", 6)}})
		wantKind(b, err, store.ErrRequestIDReused)
		got, err := b.s.GetChairVisit(b.ctx, call(ours), c.ID, 1)
		b.must(err)
		if len(got.Marks) != 3 {
			b.Errorf("%d entries are kept, want 3", len(got.Marks))
		}
	},
	"two tablets lose no entry of each other": func(b *bench) {
		c, _ := b.begun()
		const tablets, each = 4, 5
		var wg sync.WaitGroup
		for n := range tablets {
			wg.Go(func() {
				for i := range each {
					for {
						v, err := b.s.GetChairVisit(b.ctx, call(ours), c.ID, 1)
						if err != nil {
							b.Error(err)
							return
						}
						_, err = b.s.AddChairMarks(b.ctx, call(ours), store.NewChairMarks{CaseID: c.ID, Visit: 1, Base: len(v.Marks),
							Marks: []store.ChairMark{mark(fmt.Sprintf("t%d-%d", n, i), "check", 1)}})
						if err == nil {
							break
						}
						if !isStaleOrBusy(err) {
							b.Error(err)
							return
						}
					}
				}
			})
		}
		wg.Wait()
		got, err := b.s.GetChairVisit(b.ctx, call(ours), c.ID, 1)
		b.must(err)
		seen := map[string]bool{}
		for _, m := range got.Marks {
			seen[m.ID] = true
		}
		if len(got.Marks) != 1+tablets*each || len(seen) != len(got.Marks) {
			b.Errorf("%d entries, %d different, want %d", len(got.Marks), len(seen), 1+tablets*each)
		}
	},
	"a case has one visit at a time": func(b *bench) {
		c, _ := b.begun()
		_, err := b.s.BeginChairVisit(b.ctx, call(ours), beginning(c.ID))
		wantKind(b, err, store.ErrWrongState)
		obs := &store.Observation{CaseID: c.ID, Visit: 1, Protocol: "primary-treatment", ToothClass: "molar", Clinician: "a", End: Start, Document: `{"clinician":"a"}`}
		_, err = b.s.AddChairMarks(b.ctx, call(ours), store.NewChairMarks{CaseID: c.ID, Visit: 1, Base: 1, Marks: []store.ChairMark{mark("m2", "end", 60)}, Observation: obs})
		b.must(err)
		_, err = b.s.AddChairMarks(b.ctx, call(ours), store.NewChairMarks{CaseID: c.ID, Visit: 1, Base: 2, Marks: []store.ChairMark{mark("m3", "end", 61)}})
		if err == nil {
			b.Error("a visit ends twice")
		}
		v, err := b.s.BeginChairVisit(b.ctx, call(ours), beginning(c.ID))
		b.must(err)
		if v.Number != 2 {
			b.Errorf("the next visit has number %d", v.Number)
		}
		ended, next, err := b.s.ListEndedVisits(b.ctx, call(ours), Start, Start.Add(2*time.Hour), "")
		b.must(err)
		if len(ended) != 1 || ended[0].Number != 1 || len(ended[0].Marks) != 2 || next != "" {
			b.Errorf("ended: %+v", ended)
		}
		listed, _, err := b.s.ListChairVisits(b.ctx, call(ours), c.ID, store.Page{})
		b.must(err)
		if len(listed) != 2 || listed[0].Number != 2 || !listed[1].Ended() || listed[0].Ended() {
			b.Errorf("listed: %+v", listed)
		}
		seen, err := b.s.ListObservations(b.ctx, call(ours), "primary-treatment", "molar")
		b.must(err)
		if len(seen) != 1 || seen[0] != *obs {
			b.Errorf("observed %+v, want %+v", seen, obs)
		}
	},
	"another practice neither sees a visit nor adds to it": func(b *bench) {
		c, _ := b.begun()
		_, err := b.s.GetChairVisit(b.ctx, call(theirs), c.ID, 1)
		wantKind(b, err, store.ErrNotFound)
		_, err = b.s.AddChairMarks(b.ctx, call(theirs), store.NewChairMarks{CaseID: c.ID, Visit: 1, Base: 1, Marks: []store.ChairMark{mark("m2", "pause", 3)}})
		wantKind(b, err, store.ErrNotFound)
		_, err = b.s.BeginChairVisit(b.ctx, call(theirs), beginning(c.ID))
		wantKind(b, err, store.ErrNotFound)
	},
	"stopping the treatment closes the case, cancels and keeps the end in one step": func(b *bench) {
		c, _ := b.begun()
		_, err := b.s.AddChairMarks(b.ctx, call(ours), store.NewChairMarks{CaseID: c.ID, Visit: 1, Base: 1, Marks: []store.ChairMark{mark("m2", "end", 40)},
			Close: &store.CaseClosing{ID: c.ID, Reason: store.ClosedTransferred, Note: "as agreed"}})
		b.must(err)
		got, err := b.s.GetCase(b.ctx, call(ours), c.ID)
		b.must(err)
		if got.State != store.CaseClosed || got.ClosingReason != store.ClosedTransferred || got.ClosingNote != "as agreed" {
			b.Errorf("the case is %+v", got)
		}
	},
	"what happened in the chair cannot be changed, nor read at rest": func(b *bench) {
		b.begun()
		raw := b.place.Raw(b.T)
		for _, statement := range []string{`UPDATE chair_marks SET kind = 'x'`, `DELETE FROM chair_marks`, `UPDATE chair_visits SET minutes = 1`, `DELETE FROM chair_visits`} {
			if _, err := raw.Exec(statement); err == nil {
				b.Errorf("%s went through", statement)
			}
		}
		if bytes.Contains(b.place.Bytes(b.T), []byte("as it stood")) {
			b.Error("the tooth's state lies open in the database")
		}
	},
}

func isStaleOrBusy(err error) bool {
	return errors.Is(err, store.ErrStaleEtag) || errors.Is(err, store.ErrBusy)
}
