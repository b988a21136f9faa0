package storetest

import (
	"fmt"
	"strings"
	"sync"
	"time"

	"github.com/visitwright/visitwright/store"
)

const hashOfPhrase = "$argon2id$v=19$m=64,t=1,p=1$plantedsalt$plantedtag"

func (b *bench) person(practice, name string) store.Person {
	b.Helper()
	p, err := b.s.CreatePerson(b.ctx, call(practice), store.Person{SignInName: name, DisplayName: "Invented", Role: store.RoleNurse}, []byte(hashOfPhrase))
	b.must(err)
	return p
}

func (b *bench) session(p store.Person, id string) store.Session {
	b.Helper()
	s, err := b.s.BeginSession(b.ctx, call(ours), store.NewSession{ID: id, Hash: [32]byte{9}, Client: "front desk", Person: p.ID,
		SecretTime: p.SecretTime, Lifetime: 12 * time.Hour, Idle: 15 * time.Minute})
	b.must(err)
	return s
}

// inForce reads a session and reports whether nobody has ended it.
func (b *bench) inForce(id string) bool {
	b.Helper()
	s, _, err := b.s.FindSession(b.ctx, ours, id)
	b.must(err)
	return s.EndTime.IsZero() && s.Person.Active
}

var peopleTests = map[string]func(*bench){
	"a person is found by the name however it is typed, in their own practice": func(b *bench) {
		made := b.person(ours, "Straße.Ida")
		for _, typed := range []string{"Straße.Ida", " STRASSE.IDA ", "strasse.ida"} {
			got, secret, err := b.s.FindPerson(b.ctx, ours, typed)
			b.must(err)
			if got != made || string(secret) != hashOfPhrase {
				b.Errorf("%q: %+v, %q", typed, got, secret)
			}
		}
		_, _, err := b.s.FindPerson(b.ctx, theirs, "Straße.Ida")
		wantKind(b, err, store.ErrNotFound)
		_, err = b.s.GetPerson(b.ctx, call(theirs), made.ID)
		wantKind(b, err, store.ErrNotFound)
		b.person(theirs, "strasse.ida") // the name is theirs to give
	},
	"one name is one person": func(b *bench) {
		b.person(ours, "ida")
		ben := b.person(ours, "ben")
		_, err := b.s.CreatePerson(b.ctx, call(ours), store.Person{SignInName: "IDA", DisplayName: "x", Role: store.RoleNurse}, nil)
		wantProblem(b, err, store.ErrExists, "sign_in_name")
		name := "Ida"
		_, err = b.s.UpdatePerson(b.ctx, call(ours), store.PersonUpdate{ID: ben.ID, Etag: ben.Etag, SignInName: &name})
		wantProblem(b, err, store.ErrExists, "sign_in_name")
	},
	"what a person cannot be is refused by its field": func(b *bench) {
		ok := store.Person{SignInName: "ida", DisplayName: "Ida", Role: store.RoleNurse}
		for field, spoil := range map[string]func(*store.Person){
			"sign_in_name": func(p *store.Person) { p.SignInName = strings.Repeat("\ufdfa", 40) },
			"display_name": func(p *store.Person) { p.DisplayName = "" },
			"role":         func(p *store.Person) { p.Role = store.RoleIntegration },
			"clinician":    func(p *store.Person) { p.Clinician = "anybody" },
		} {
			p := ok
			spoil(&p)
			_, err := b.s.CreatePerson(b.ctx, call(ours), p, nil)
			wantProblem(b, err, store.ErrInvalid, field)
		}
		doctor := store.Person{SignInName: "doc", DisplayName: "Doc", Role: store.RoleClinician, Clinician: "nobody"}
		_, err := b.s.CreatePerson(b.ctx, call(ours), doctor, nil)
		wantKind(b, err, store.ErrNotFound)
		c, err := b.s.PutClinician(b.ctx, call(ours), store.Clinician{Name: "One", Active: true})
		b.must(err)
		doctor.Clinician = c.ID
		_, err = b.s.CreatePerson(b.ctx, call(theirs), doctor, nil)
		wantKind(b, err, store.ErrNotFound)
		_, err = b.s.CreatePerson(b.ctx, call(ours), doctor, nil)
		b.must(err)
	},
	"a stale etag changes nobody": func(b *bench) {
		p := b.person(ours, "ida")
		name := "Another"
		now, err := b.s.UpdatePerson(b.ctx, call(ours), store.PersonUpdate{ID: p.ID, Etag: p.Etag, DisplayName: &name})
		b.must(err)
		_, err = b.s.UpdatePerson(b.ctx, call(ours), store.PersonUpdate{ID: p.ID, Etag: p.Etag, DisplayName: &name})
		wantKind(b, err, store.ErrStaleEtag)
		list, err := b.s.ListPeople(b.ctx, call(ours))
		b.must(err)
		if len(list) != 1 || list[0] != now || now.DisplayName != name || now.SecretTime != p.SecretTime {
			b.Errorf("list %+v, want %+v", list, now)
		}
	},
	"the hash of a passphrase does not lie open": func(b *bench) {
		b.person(ours, "ida")
		if strings.Contains(string(b.place.Bytes(b.T)), "plantedtag") {
			b.Error("the database shows the hash")
		}
	},
	"a session is found with its person as they are now": func(b *bench) {
		p := b.person(ours, "ida")
		begun := b.session(p, "s1")
		role := store.RoleManager
		now, err := b.s.UpdatePerson(b.ctx, call(ours), store.PersonUpdate{ID: p.ID, Etag: p.Etag, Role: &role})
		b.must(err)
		got, at, err := b.s.FindSession(b.ctx, ours, "s1")
		b.must(err)
		begun.Person = now
		if got != begun || !at.Equal(Start) {
			b.Errorf("begun %+v\nfound %+v at %v", begun, got, at)
		}
		_, _, err = b.s.FindSession(b.ctx, theirs, "s1")
		wantKind(b, err, store.ErrNotFound)
		wantKind(b, b.s.EndSession(b.ctx, call(theirs), "s1"), store.ErrNotFound)
	},
	"use is written down once a minute, and wakes nothing that slept too long": func(b *bench) {
		b.session(b.person(ours, "ida"), "s1")
		used := func() time.Time {
			s, _, err := b.s.FindSession(b.ctx, ours, "s1")
			b.must(err)
			return s.UseTime
		}
		for _, step := range []struct {
			wait time.Duration
			want time.Duration // since the start
		}{{59 * time.Second, 0}, {time.Second, time.Minute}, {30 * time.Second, time.Minute}, {13 * time.Minute, 14*time.Minute + 30*time.Second},
			{15 * time.Minute, 14*time.Minute + 30*time.Second}} {
			b.clock.Advance(step.wait)
			b.must(b.s.UseSession(b.ctx, ours, "s1"))
			if got := used().Sub(Start); got != step.want {
				b.Errorf("noted at %v, want %v", got, step.want)
			}
		}
	},
	"deactivating ends every session, another passphrase all but one": func(b *bench) {
		p := b.person(ours, "ida")
		other := b.person(ours, "ben")
		b.session(other, "other")
		for _, id := range []string{"s1", "s2", "s3"} {
			b.session(p, id)
		}
		b.must(b.s.EndSession(b.ctx, call(ours), "s3"))
		wantKind(b, b.s.EndSession(b.ctx, call(ours), "s3"), store.ErrNotFound)
		b.clock.Advance(time.Second)
		now, err := b.s.SetSecret(b.ctx, call(ours), p.ID, []byte("another"), "s2")
		b.must(err)
		if b.inForce("s1") || !b.inForce("s2") || b.inForce("s3") {
			b.Error("another passphrase left the wrong sessions")
		}
		no := false
		now, err = b.s.UpdatePerson(b.ctx, call(ours), store.PersonUpdate{ID: p.ID, Etag: now.Etag, Active: &no})
		b.must(err)
		if b.inForce("s2") || !b.inForce("other") {
			b.Error("deactivating left the wrong sessions")
		}
		_, err = b.s.BeginSession(b.ctx, call(ours), store.NewSession{ID: "s4", Person: p.ID, SecretTime: now.SecretTime, Lifetime: time.Hour, Idle: time.Hour})
		wantKind(b, err, store.ErrWrongState)
	},
	"a passphrase that was changed meanwhile begins nothing": func(b *bench) {
		p := b.person(ours, "ida")
		b.clock.Advance(time.Second)
		_, err := b.s.SetSecret(b.ctx, call(ours), p.ID, []byte("another"), "")
		b.must(err)
		_, err = b.s.BeginSession(b.ctx, call(ours), store.NewSession{ID: "s1", Person: p.ID, SecretTime: p.SecretTime, Lifetime: time.Hour, Idle: time.Hour})
		wantKind(b, err, store.ErrWrongState)
	},
	"attempts are spaced by name and practice, and counted once however many come at once": func(b *bench) {
		var wg sync.WaitGroup
		var mu sync.Mutex
		let := 0
		for i := range 3 * store.NameAttempts {
			wg.Go(func() {
				wait, err := b.s.TakeAttempt(b.ctx, ours, []string{"ida", "IDA "}[i%2])
				if err != nil {
					b.Error(err)
				}
				mu.Lock()
				defer mu.Unlock()
				if wait == 0 {
					let++
				} else if wait > store.NameEvery {
					b.Errorf("wait %v", wait)
				}
			})
		}
		wg.Wait()
		if let != store.NameAttempts {
			b.Errorf("%d attempts were let through, want %d", let, store.NameAttempts)
		}
		wait, err := b.s.TakeAttempt(b.ctx, theirs, "ida")
		b.must(err)
		if wait != 0 {
			b.Errorf("another practice waits %v", wait)
		}
		b.must(b.s.ReturnAttempt(b.ctx, ours, "ida"))
		if wait, err = b.s.TakeAttempt(b.ctx, ours, "ida"); err != nil || wait != 0 {
			b.Errorf("after a success: wait %v, %v", wait, err)
		}
		let = 0
		for i := range 2 * store.PracticeAttempts {
			wait, err := b.s.TakeAttempt(b.ctx, ours, fmt.Sprint("name", i))
			b.must(err)
			if wait == 0 {
				let++
			}
		}
		// Four of ida's five still count, and the one after the success.
		if want := store.PracticeAttempts - store.NameAttempts; let != want {
			b.Errorf("%d further names were let through, want %d", let, want)
		}
	},
	"what was typed as a name lies nowhere": func(b *bench) {
		_, err := b.s.TakeAttempt(b.ctx, ours, "plantedpassphrase")
		b.must(err)
		if strings.Contains(string(b.place.Bytes(b.T)), "plantedpassphrase") {
			b.Error("the database shows what was typed")
		}
	},
	"old sessions and attempts at rest are forgotten": func(b *bench) {
		b.session(b.person(ours, "ida"), "s1")
		_, err := b.s.TakeAttempt(b.ctx, "-", "nobody")
		b.must(err)
		b.clock.Advance(12*time.Hour + store.SessionRetention + time.Second)
		_, err = b.s.Retain(b.ctx, 100)
		b.must(err)
		_, _, err = b.s.FindSession(b.ctx, ours, "s1")
		wantKind(b, err, store.ErrNotFound)
		var n int
		b.must(b.place.Raw(b.T).QueryRow(`SELECT count(*) FROM sign_in_attempts`).Scan(&n))
		if n != 0 {
			b.Errorf("%d attempts are kept", n)
		}
	},
	"who signed in, and whose passphrase changed, is in the trail": func(b *bench) {
		p := b.person(ours, "ida")
		b.session(p, "s1")
		_, err := b.s.SetSecret(b.ctx, call(ours), p.ID, []byte("another"), "")
		b.must(err)
		trail, _, err := b.s.ListAudit(b.ctx, call(ours), store.AuditQuery{Resource: "people/" + p.ID})
		b.must(err)
		if len(trail) != 3 || trail[0].Fields[0] != "passphrase" {
			b.Errorf("trail %+v", trail)
		}
	},
}
