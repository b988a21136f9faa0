package storetest

import (
	"errors"
	"reflect"
	"sync"
	"time"

	"github.com/visitwright/visitwright/store"
)

func retryable(id, content string) store.Call {
	c := call(ours)
	c.RequestID, c.RequestHash = id, store.HashRequest([]byte(content))
	return c
}

var requestTests = map[string]func(*bench){
	"a retry gets the first answer and changes nothing": func(b *bench) {
		in := store.Patient{Reference: "a", Contact: store.Contact{Label: "Some One"}}
		first, err := b.s.CreatePatient(b.ctx, retryable("r1", "a"), in)
		b.must(err)
		b.clock.Advance(time.Minute)
		again, err := b.s.CreatePatient(b.ctx, retryable("r1", "a"), in)
		b.must(err)
		if !reflect.DeepEqual(first, again) {
			b.Errorf("first %+v\nagain %+v", first, again)
		}
		list, _, err := b.s.SearchPatients(b.ctx, call(ours), store.PatientQuery{})
		b.must(err)
		if len(list) != 1 {
			b.Errorf("%d patients, want 1", len(list))
		}
	},
	"the same id for another request is refused": func(b *bench) {
		_, err := b.s.CreatePatient(b.ctx, retryable("r1", "a"), store.Patient{Reference: "a"})
		b.must(err)
		_, err = b.s.CreatePatient(b.ctx, retryable("r1", "b"), store.Patient{Reference: "b"})
		wantKind(b, err, store.ErrRequestIDReused)
		other := retryable("r1", "b")
		other.Method = "/test/Other" // an id counts for one method
		_, err = b.s.CreatePatient(b.ctx, other, store.Patient{Reference: "b"})
		b.must(err)
		foreign := retryable("r1", "b")
		foreign.Practice = theirs // and for one practice
		_, err = b.s.CreatePatient(b.ctx, foreign, store.Patient{Reference: "b"})
		b.must(err)
	},
	"a failed write does not use up its id": func(b *bench) {
		p := b.patient(ours, "a")
		weight := 60000
		_, err := b.s.UpdatePatient(b.ctx, retryable("r1", "a"), store.PatientUpdate{ID: p.ID, Etag: "old", WeightGrams: &weight})
		wantKind(b, err, store.ErrStaleEtag)
		_, err = b.s.UpdatePatient(b.ctx, retryable("r1", "b"), store.PatientUpdate{ID: p.ID, Etag: p.Etag, WeightGrams: &weight})
		b.must(err)
	},
	"after a day the id is free again": func(b *bench) {
		_, err := b.s.CreatePatient(b.ctx, retryable("r1", "a"), store.Patient{Reference: "a"})
		b.must(err)
		b.clock.Advance(24*time.Hour - time.Microsecond)
		_, err = b.s.CreatePatient(b.ctx, retryable("r1", "b"), store.Patient{Reference: "b"})
		wantKind(b, err, store.ErrRequestIDReused)
		b.clock.Advance(time.Microsecond)
		_, err = b.s.CreatePatient(b.ctx, retryable("r1", "b"), store.Patient{Reference: "b"})
		b.must(err)
	},
	"the same request from many at once is done once": func(b *bench) {
		var wg sync.WaitGroup
		ids := make([]string, 12)
		for i := range ids {
			wg.Go(func() {
				p, err := b.s.CreatePatient(b.ctx, retryable("r1", "a"), store.Patient{Reference: "a"})
				if err != nil {
					b.Error(err)
					return
				}
				ids[i] = p.ID
			})
		}
		wg.Wait()
		for _, id := range ids {
			if id != ids[0] {
				b.Errorf("answers differ: %v", ids)
				break
			}
		}
	},
	"retries of plans and assessments get the first answer": func(b *bench) {
		c := b.openCase(ours)
		a := store.NewAssessment{CaseID: c.ID, Document: []byte("first")}
		a1, err := b.s.SaveAssessment(b.ctx, retryable("a", "a"), a)
		b.must(err)
		a2, err := b.s.SaveAssessment(b.ctx, retryable("a", "a"), a)
		b.must(err)
		r1, err := b.s.SavePlanRevision(b.ctx, retryable("p", "p"), twoVisits(c.ID, 0))
		b.must(err)
		r2, err := b.s.SavePlanRevision(b.ctx, retryable("p", "p"), twoVisits(c.ID, 0))
		b.must(err)
		if !reflect.DeepEqual(a1, a2) || !reflect.DeepEqual(r1, r2) {
			b.Errorf("assessments %+v %+v\nrevisions %+v %+v", a1, a2, r1, r2)
		}
	},
	"an id with a space or without its hash is refused": func(b *bench) {
		for _, c := range []store.Call{retryable("a b", "a"), {Practice: ours, RequestID: "a"}} {
			_, err := b.s.CreatePatient(b.ctx, c, store.Patient{Reference: "a"})
			wantProblem(b, err, store.ErrInvalid, "request_id")
		}
	},
	"another writer that asks inside a write waits or is told, and neither hangs": func(b *bench) {
		// A pool of one writer must not lock itself: a second write while one is
		// under way on the same goroutine's behalf ends, one way or the other.
		p := b.patient(ours, "a")
		done := make(chan error, 2)
		for range 2 {
			go func() {
				_, err := b.s.CreateCase(b.ctx, call(ours), store.Case{PatientID: p.ID})
				done <- err
			}()
		}
		for range 2 {
			if err := <-done; err != nil && !errors.Is(err, store.ErrBusy) {
				b.Error(err)
			}
		}
	},
}
