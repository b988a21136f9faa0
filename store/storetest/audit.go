package storetest

import (
	"slices"
	"sync"

	"github.com/visitwright/visitwright/store"
)

var auditTests = map[string]func(*bench){
	"every change and every read leaves an entry, in a chain": func(b *bench) {
		p := b.patient(ours, "a")
		weight := 70000
		c := call(ours)
		c.ActingFor, c.Correlation = "dr-one", "corr-1"
		_, err := b.s.UpdatePatient(b.ctx, c, store.PatientUpdate{ID: p.ID, Etag: p.Etag, WeightGrams: &weight})
		b.must(err)
		for range 3 {
			_, err = b.s.GetPatient(b.ctx, call(ours), p.ID)
			b.must(err)
		}
		b.must(b.s.FlushAudit(b.ctx))
		b.must(b.s.RecordRefusal(b.ctx, call(ours), "patients/"+p.ID, "PERMISSION_DENIED"))
		trail, _, err := b.s.ListAudit(b.ctx, call(ours), store.AuditQuery{Resource: "patients/" + p.ID})
		b.must(err)
		if n := len(trail); n < 4 {
			b.Fatalf("%d entries, want created, changed, read, refused", n)
		}
		if trail[0].Outcome != "PERMISSION_DENIED" {
			b.Errorf("newest: %+v", trail[0])
		}
		reads := 0
		for _, e := range trail[1 : len(trail)-2] {
			reads += e.Times
		}
		if reads != 3 {
			b.Errorf("%d reads in the trail, want 3", reads)
		}
		changed := trail[len(trail)-2]
		if !slices.Equal(changed.Fields, []string{"weight_grams"}) || changed.Actor != "tok-"+ours || changed.Role != store.RoleClinician ||
			changed.ActingFor != "dr-one" || changed.Correlation != "corr-1" || !changed.Time.Equal(Start) {
			b.Errorf("the change reads %+v", changed)
		}
		broken, err := b.s.VerifyAudit(b.ctx, call(ours))
		b.must(err)
		if broken != nil {
			b.Errorf("an untouched trail breaks at %d", broken.Seq)
		}
	},
	"a write that fails leaves no entry and no change": func(b *bench) {
		p := b.patient(ours, "a")
		before, _, err := b.s.ListAudit(b.ctx, call(ours), store.AuditQuery{})
		b.must(err)
		_, err = b.s.UpdatePatient(b.ctx, call(ours), store.PatientUpdate{ID: p.ID, Etag: "old"})
		wantKind(b, err, store.ErrStaleEtag)
		after, _, err := b.s.ListAudit(b.ctx, call(ours), store.AuditQuery{})
		b.must(err)
		if len(before) != len(after) {
			b.Errorf("%d entries before, %d after", len(before), len(after))
		}
	},
	"a change past the triggers breaks the chain": func(b *bench) {
		for _, r := range []string{"a", "b", "c", "d"} {
			b.patient(ours, r)
		}
		raw := b.place.Raw(b.T)
		drop, update := "DROP TRIGGER audit_keep_u", "UPDATE audit SET actor = 'nobody' WHERE seq = 3 AND practice_id = 'willow-lane'"
		if b.s.Postgres() {
			drop = "DROP TRIGGER audit_keep ON audit"
		}
		for _, text := range []string{drop, update} {
			_, err := raw.Exec(text)
			b.must(err)
		}
		broken, err := b.s.VerifyAudit(b.ctx, call(ours))
		b.must(err)
		if broken == nil || broken.Seq != 3 {
			b.Errorf("the trail breaks at %+v, want entry 3", broken)
		}
	},
	"a cut tail shows": func(b *bench) {
		for _, r := range []string{"a", "b"} {
			b.patient(ours, r)
		}
		raw := b.place.Raw(b.T)
		drop := "DROP TRIGGER audit_keep_d"
		if b.s.Postgres() {
			drop = "DROP TRIGGER audit_keep ON audit"
		}
		for _, text := range []string{drop, "DELETE FROM audit WHERE seq = 3 AND practice_id = 'willow-lane'"} {
			_, err := raw.Exec(text)
			b.must(err)
		}
		broken, err := b.s.VerifyAudit(b.ctx, call(ours))
		b.must(err)
		if broken == nil || broken.Seq != 3 {
			b.Errorf("the trail breaks at %+v, want the missing entry 3", broken)
		}
	},
	"many writers and readers leave one whole chain": func(b *bench) {
		p := b.patient(ours, "a")
		var wg sync.WaitGroup
		const workers, each = 8, 15
		for range workers {
			wg.Go(func() {
				for range each {
					if _, err := b.s.GetPatient(b.ctx, call(ours), p.ID); err != nil {
						b.Error(err)
					}
					if _, err := b.s.CreateCase(b.ctx, call(ours), store.Case{PatientID: p.ID}); err != nil {
						b.Error(err)
					}
				}
			})
		}
		wg.Wait()
		b.must(b.s.FlushAudit(b.ctx))
		broken, err := b.s.VerifyAudit(b.ctx, call(ours))
		b.must(err)
		if broken != nil {
			b.Errorf("the chain breaks at %d", broken.Seq)
		}
		reads, creates := 0, 0
		page := store.Page{Size: 100}
		for {
			list, next, err := b.s.ListAudit(b.ctx, call(ours), store.AuditQuery{Page: page})
			b.must(err)
			for _, e := range list {
				switch {
				case e.Resource == "patients/"+p.ID && len(e.Fields) == 0:
					reads += e.Times
				case len(e.Resource) > 6 && e.Resource[:6] == "cases/":
					creates++
				}
			}
			if next == "" {
				break
			}
			page.After = next
		}
		if reads != workers*each || creates != workers*each {
			b.Errorf("%d reads and %d creations in the trail, want %d of each", reads, creates, workers*each)
		}
	},
}
