package storetest

import (
	"crypto/sha256"
	"errors"
	"time"

	"github.com/visitwright/visitwright/store"
)

func secretOf(id string) [sha256.Size]byte { return sha256.Sum256([]byte("secret of " + id)) }

var calendarFeedTests = map[string]func(*bench){
	"a feed is found by its id until it is deleted, and by nobody else's practice": func(b *bench) {
		owner := store.ResourceRef{Kind: store.KindRoom, ID: "room-1"}
		first, err := b.s.CreateCalendarFeed(b.ctx, call(ours), store.CalendarFeed{Owner: owner, Label: "tablet"}, secretOf)
		b.must(err)
		b.clock.Advance(time.Millisecond)
		second, err := b.s.CreateCalendarFeed(b.ctx, call(ours), store.CalendarFeed{Owner: owner}, secretOf)
		b.must(err)
		found, err := b.s.FindCalendarFeed(b.ctx, ours, first.ID)
		b.must(err)
		if found != first || found.Hash != secretOf(first.ID) || found.Owner != owner || found.Label != "tablet" {
			b.Errorf("found %+v, want %+v", found, first)
		}
		if _, err := b.s.FindCalendarFeed(b.ctx, theirs, first.ID); !errors.Is(err, store.ErrNotFound) {
			b.Errorf("another practice finds it: %v", err)
		}
		list, err := b.s.ListCalendarFeeds(b.ctx, call(ours))
		b.must(err)
		if len(list) != 2 || list[0] != first || list[1] != second {
			b.Errorf("listed %+v", list)
		}
		seen, err := b.s.ListCalendarFeeds(b.ctx, call(theirs))
		b.must(err)
		if len(seen) != 0 {
			b.Errorf("another practice sees %d feeds", len(seen))
		}
		if err := b.s.DeleteCalendarFeed(b.ctx, call(theirs), first.ID); !errors.Is(err, store.ErrNotFound) {
			b.Errorf("another practice deletes a feed: %v", err)
		}
		b.must(b.s.DeleteCalendarFeed(b.ctx, call(ours), first.ID))
		if _, err := b.s.FindCalendarFeed(b.ctx, ours, first.ID); !errors.Is(err, store.ErrNotFound) {
			b.Errorf("found after it was deleted: %v", err)
		}
		if err := b.s.DeleteCalendarFeed(b.ctx, call(ours), first.ID); !errors.Is(err, store.ErrNotFound) {
			b.Errorf("deleted twice: %v", err)
		}
	},
	"a feed is a clinician's or a resource's, never a patient's": func(b *bench) {
		for _, owner := range []store.ResourceRef{{}, {Kind: store.KindPatient, ID: "p"}} {
			if _, err := b.s.CreateCalendarFeed(b.ctx, call(ours), store.CalendarFeed{Owner: owner}, secretOf); !errors.Is(err, store.ErrInvalid) {
				b.Errorf("%+v: %v, want invalid", owner, err)
			}
		}
	},
	"references of patients are read together, and nobody else's": func(b *bench) {
		p, q, other := b.patient(ours, "one"), b.patient(ours, "two"), b.patient(theirs, "theirs")
		got, err := b.s.PatientReferences(b.ctx, call(ours), []string{p.ID, q.ID, other.ID, "nobody"})
		b.must(err)
		if len(got) != 2 || got[p.ID] != p.Reference || got[q.ID] != q.Reference {
			b.Errorf("got %v", got)
		}
		none, err := b.s.PatientReferences(b.ctx, call(ours), nil)
		b.must(err)
		if len(none) != 0 {
			b.Errorf("got %v for nobody", none)
		}
	},
}
