package storetest

import (
	"bytes"
	"errors"
	"time"

	"github.com/visitwright/visitwright/store"
)

var shortNoticeTests = map[string]func(*bench){
	"whoever waits is listed from the oldest on, and nobody else's list shows them": func(b *bench) {
		p := b.patient(ours, "waits")
		var made []store.ShortNoticeEntry
		for _, text := range []string{"mornings", "any time"} {
			e, err := b.s.AddShortNotice(b.ctx, call(ours), store.ShortNoticeEntry{PatientID: p.ID, Document: []byte(text)})
			b.must(err)
			made = append(made, e)
			b.clock.Advance(time.Millisecond)
		}
		got, err := b.s.ListShortNotice(b.ctx, call(ours))
		b.must(err)
		if len(got) != 2 || got[0].ID != made[0].ID || !bytes.Equal(got[1].Document, []byte("any time")) {
			b.Errorf("got %+v", got)
		}
		seen, err := b.s.ListShortNotice(b.ctx, call(theirs))
		b.must(err)
		if len(seen) != 0 {
			b.Errorf("another practice sees %d entries", len(seen))
		}
		if err := b.s.DropShortNotice(b.ctx, call(theirs), made[0].ID); !errors.Is(err, store.ErrNotFound) {
			b.Errorf("another practice drops an entry: %v", err)
		}
		b.must(b.s.DropShortNotice(b.ctx, call(ours), made[0].ID))
		if err := b.s.DropShortNotice(b.ctx, call(ours), made[0].ID); !errors.Is(err, store.ErrNotFound) {
			b.Errorf("dropped twice: %v", err)
		}
	},
	"nobody waits who is not a patient of the practice": func(b *bench) {
		p := b.patient(theirs, "theirs")
		if _, err := b.s.AddShortNotice(b.ctx, call(ours), store.ShortNoticeEntry{PatientID: p.ID}); !errors.Is(err, store.ErrNotFound) {
			b.Errorf("got %v, want not found", err)
		}
	},
}
