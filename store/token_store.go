package store

import (
	"context"
	"time"
)

const tokenColumns = `practice_id, id, role, label, clinician, hash, expire_us, revoke_us, create_us`

var (
	stmtTokenGet  = reads("token get", `SELECT `+tokenColumns+` FROM tokens WHERE practice_id = ?1 AND id = ?2`)
	stmtTokenList = reads("token list", `SELECT `+tokenColumns+` FROM tokens WHERE practice_id = ?1 ORDER BY create_us, id`)
	stmtTokenPut  = writes("token put", `
		INSERT INTO tokens (`+tokenColumns+`) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, 0, ?8)`)
	stmtTokenRevoke = writes("token revoke", `
		UPDATE tokens SET revoke_us = ?3 WHERE practice_id = ?1 AND id = ?2 AND revoke_us = 0`)
)

type tokenRow struct {
	Practice  string `db:"practice_id"`
	ID        string `db:"id"`
	Role      string `db:"role"`
	Label     string `db:"label"`
	Clinician string `db:"clinician"`
	Hash      []byte `db:"hash"`
	ExpireUS  int64  `db:"expire_us"`
	RevokeUS  int64  `db:"revoke_us"`
	CreateUS  int64  `db:"create_us"`
}

func (r tokenRow) record() Token {
	t := Token{ID: r.ID, Practice: r.Practice, Role: Role(r.Role), Label: r.Label, Clinician: r.Clinician,
		ExpireTime: fromUS(r.ExpireUS), RevokeTime: fromUS(r.RevokeUS), CreateTime: fromUS(r.CreateUS)}
	copy(t.Hash[:], r.Hash)
	return t
}

func (t *tx) putToken(ctx context.Context, k Token) error {
	switch {
	case !validID(k.ID):
		return invalid("token", "an id made by store/access")
	case !k.Role.Valid():
		return invalid("role", "reception, nurse, clinician, manager or integration")
	case len(k.Label) > 100:
		return invalid("label", "at most 100 bytes")
	}
	_, err := t.exec(ctx, stmtTokenPut, t.call.Practice, k.ID, string(k.Role), k.Label, k.Clinician, k.Hash[:], us(k.ExpireTime), us(t.now))
	return err
}

// CreateToken keeps a token of the caller's practice.
func (s *Store) CreateToken(ctx context.Context, call Call, k Token) (Token, error) {
	return write(ctx, s, call, func(t *tx) (Token, error) {
		if err := t.putToken(ctx, k); err != nil {
			return Token{}, err
		}
		k.Practice, k.CreateTime, k.RevokeTime = call.Practice, t.now, time.Time{}
		t.about("tokens/"+k.ID, "role", "label", "clinician", "expire_time")
		return k, nil
	})
}

// FindToken returns a token with the store's time of looking, so that the
// caller can judge its expiry by the store's clock. ErrNotFound.
func (s *Store) FindToken(ctx context.Context, practice, id string) (Token, time.Time, error) {
	var row tokenRow
	var at time.Time
	err := s.glance(ctx, Call{Practice: practice}, func(q querier, now time.Time) error {
		at = now
		return q.get(ctx, &row, stmtTokenGet, practice, id)
	})
	return row.record(), at, err
}

// ListTokens returns all tokens of the practice, oldest first.
func (s *Store) ListTokens(ctx context.Context, call Call) ([]Token, error) {
	var rows []tokenRow
	err := s.glance(ctx, call, func(q querier, _ time.Time) error {
		return q.list(ctx, &rows, stmtTokenList, call.Practice)
	})
	out := make([]Token, len(rows))
	for i, r := range rows {
		out[i] = r.record()
	}
	return out, err
}

// RevokeToken ends a token at once. ErrNotFound when there is none in force.
func (s *Store) RevokeToken(ctx context.Context, call Call, id string) error {
	_, err := write(ctx, s, call, func(t *tx) (struct{}, error) {
		n, err := t.exec(ctx, stmtTokenRevoke, call.Practice, id, us(t.now))
		if err == nil && n == 0 {
			err = notFound("tokens/" + id)
		}
		t.about("tokens/"+id, "revoke_time")
		return struct{}{}, err
	})
	return err
}
