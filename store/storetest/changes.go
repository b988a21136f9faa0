package storetest

import (
	"sync"
	"time"

	"github.com/visitwright/visitwright/store"
)

var changeTests = map[string]func(*bench){
	"a reader that resumes sees every change once and in order": surgeryTest(func(s *surgery) {
		// Writers of one practice on two replicas; a reader follows while they
		// write. Numbers must appear in the order of commits: a gap that fills
		// later would be a change lost.
		second := OpenPlace(s.T, s.bench.place, s.clock)
		stores := []*store.Store{s.s, second}
		start, err := s.s.LastChange(s.ctx, call(ours))
		s.must(err)
		const writers, each = 6, 20
		var wg sync.WaitGroup
		for w := range writers {
			wg.Go(func() {
				for range each {
					if _, err := stores[w%2].CreateCase(s.ctx, call(ours), store.Case{PatientID: s.patient.ID}); err != nil {
						s.Error(err)
						return
					}
				}
			})
		}
		done := make(chan struct{})
		go func() { wg.Wait(); close(done) }()
		wake, end := second.Wake(ours)
		defer end()
		seen := start
		for {
			finished := false
			select {
			case <-done:
				finished = true
			default:
			}
			list, err := second.ReadChanges(s.ctx, call(ours), seen, 7)
			s.must(err)
			for _, c := range list {
				if c.Seq != seen+1 {
					s.Fatalf("change %d after %d", c.Seq, seen)
				}
				seen = c.Seq
			}
			if len(list) > 0 {
				continue
			}
			if finished {
				break
			}
			select {
			case <-wake:
			case <-done:
			}
		}
		if n := seen - start; n != writers*each {
			s.Errorf("%d changes seen, want %d", n, writers*each)
		}
	}),
	"a change on one replica wakes a watcher on the other": func(b *bench) {
		if !b.s.Postgres() {
			b.local()
			return
		}
		second := OpenPlace(b.T, b.place, b.clock)
		wake, end := second.Wake(ours)
		defer end()
		// The listener connects beside the start: changes go on until one is heard.
		for i := 0; ; i++ {
			b.patient(ours, "w-"+time.Duration(i).String())
			select {
			case <-wake:
				return
			case <-time.After(50 * time.Millisecond): // no hint yet: another change
			case <-b.ctx.Done():
				b.Fatal("never woken")
			}
			if i > 200 {
				b.Fatal("never woken")
			}
		}
	},
	"a token older than the log is refused, and one that was never given": func(b *bench) {
		b.patient(ours, "a")
		last, err := b.s.LastChange(b.ctx, call(ours))
		b.must(err)
		_, err = b.s.ReadChanges(b.ctx, call(ours), last+1, 10)
		wantProblem(b, err, store.ErrInvalid, "resume_token")
		b.clock.Advance(store.ChangeRetention + time.Hour)
		b.patient(ours, "b")
		b.must(b.s.Tidy(b.ctx))
		_, err = b.s.ReadChanges(b.ctx, call(ours), last-1, 10)
		wantProblem(b, err, store.ErrExpired, "resume_token")
		list, err := b.s.ReadChanges(b.ctx, call(ours), last, 10)
		b.must(err)
		if len(list) != 1 || list[0].Kind != "patient.created" {
			b.Errorf("after tidying: %+v", list)
		}
		foreign, err := b.s.ReadChanges(b.ctx, call(theirs), 0, 10)
		if err == nil && len(foreign) > 1 {
			b.Errorf("another practice sees %+v", foreign)
		}
	},
}

func (b *bench) local() {
	wake, end := b.s.Wake(ours)
	defer end()
	other, endOther := b.s.Wake(theirs)
	defer endOther()
	b.patient(ours, "w")
	select {
	case <-wake:
	default:
		b.Error("not woken")
	}
	select {
	case <-other:
		b.Error("another practice's watcher was woken")
	default:
	}
}
