package storetest

import (
	"time"

	"github.com/visitwright/visitwright/store"
)

var tokenTests = map[string]func(*bench){
	"a token is found in its practice until it is revoked": func(b *bench) {
		in := store.Token{ID: "abc", Role: store.RoleNurse, Label: "bay 2", Hash: [32]byte{7, 8}, ExpireTime: Start.Add(time.Hour)}
		made, err := b.s.CreateToken(b.ctx, call(ours), in)
		b.must(err)
		got, now, err := b.s.FindToken(b.ctx, ours, "abc")
		b.must(err)
		if got != made || !now.Equal(Start) {
			b.Errorf("made %+v\nread %+v at %v", made, got, now)
		}
		_, _, err = b.s.FindToken(b.ctx, theirs, "abc")
		wantKind(b, err, store.ErrNotFound)
		wantKind(b, b.s.RevokeToken(b.ctx, call(theirs), "abc"), store.ErrNotFound)
		b.must(b.s.RevokeToken(b.ctx, call(ours), "abc"))
		wantKind(b, b.s.RevokeToken(b.ctx, call(ours), "abc"), store.ErrNotFound)
		got, _, err = b.s.FindToken(b.ctx, ours, "abc")
		b.must(err)
		if !got.RevokeTime.Equal(Start) {
			b.Errorf("revoked at %v", got.RevokeTime)
		}
		list, err := b.s.ListTokens(b.ctx, call(ours))
		b.must(err)
		if len(list) != 2 { // and the practice's first
			b.Errorf("%d tokens, want 2", len(list))
		}
	},
	"a token without a known role is refused": func(b *bench) {
		_, err := b.s.CreateToken(b.ctx, call(ours), store.Token{ID: "abc", Role: "owner"})
		wantProblem(b, err, store.ErrInvalid, "role")
	},
	"a practice is made once and needs a token": func(b *bench) {
		_, err := b.s.CreatePractice(b.ctx, store.NewPractice{ID: ours, Name: "x", Zone: "UTC", Tokens: []store.Token{{ID: "a", Role: store.RoleManager}}})
		wantKind(b, err, store.ErrExists)
		_, err = b.s.CreatePractice(b.ctx, store.NewPractice{ID: "third", Name: "x", Zone: "UTC"})
		wantProblem(b, err, store.ErrInvalid, "tokens")
		ids, err := b.s.Practices(b.ctx)
		b.must(err)
		if len(ids) != 2 {
			b.Errorf("practices %v", ids)
		}
	},
}
