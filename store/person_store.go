package store

import (
	"context"
	"slices"
	"time"
)

const personColumns = `id, sign_in_name, name_key, display_name, role, clinician, active, secret, secret_us, row_version, create_us, update_us`

var (
	stmtPersonGet    = reads("person get", `SELECT `+personColumns+` FROM people WHERE practice_id = ?1 AND id = ?2`)
	stmtPersonByName = reads("person by name", `SELECT `+personColumns+` FROM people WHERE practice_id = ?1 AND name_key = ?2`)
	stmtPersonList   = reads("person list", `SELECT `+personColumns+` FROM people WHERE practice_id = ?1 ORDER BY name_key`)
	stmtPersonPut    = writes("person put", `
		INSERT INTO people (practice_id, `+personColumns+`) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, 1, ?11, ?11)`)
	stmtPersonUpdate = writes("person update", `
		UPDATE people SET sign_in_name = ?4, name_key = ?5, display_name = ?6, role = ?7, clinician = ?8, active = ?9, secret = ?10, secret_us = ?11,
			row_version = row_version + 1, update_us = ?12
		WHERE practice_id = ?1 AND id = ?2 AND row_version = ?3`)
)

type personRow struct {
	ID          string `db:"id"`
	SignInName  string `db:"sign_in_name"`
	NameKey     string `db:"name_key"`
	DisplayName string `db:"display_name"`
	Role        string `db:"role"`
	Clinician   string `db:"clinician"`
	Active      bool   `db:"active"`
	Secret      []byte `db:"secret"`
	SecretUS    int64  `db:"secret_us"`
	RowVersion  int64  `db:"row_version"`
	CreateUS    int64  `db:"create_us"`
	UpdateUS    int64  `db:"update_us"`
}

func (r personRow) record() Person {
	return Person{ID: r.ID, SignInName: r.SignInName, DisplayName: r.DisplayName, Role: Role(r.Role), Clinician: r.Clinician, Active: r.Active,
		SecretTime: fromUS(r.SecretUS), Etag: etag(r.RowVersion), CreateTime: fromUS(r.CreateUS), UpdateTime: fromUS(r.UpdateUS)}
}

func secretRecord(person string) string { return "people/" + person + "/secret" }

// sealSecret seals the hash of a passphrase; none stays none.
func (t *tx) sealSecret(person string, secret []byte) (sealed []byte, at time.Time) {
	if len(secret) == 0 {
		return []byte{}, time.Time{}
	}
	return t.s.keys.seal(secret, t.call.Practice, secretRecord(person)), t.now
}

// checkPerson holds what the schema cannot say with the field's name.
func (t *tx) checkPerson(ctx context.Context, p Person) error {
	if err := p.Check(); err != nil {
		return err
	}
	return t.clinicianThere(ctx, p.Clinician)
}

// CreatePerson keeps a new person.
func (s *Store) CreatePerson(ctx context.Context, call Call, p Person, secret []byte) (Person, error) {
	return write(ctx, s, call, func(t *tx) (Person, error) {
		if err := t.checkPerson(ctx, p); err != nil {
			return Person{}, err
		}
		out := p
		out.ID, out.Active = newID(t.now), true
		sealed, at := t.sealSecret(out.ID, secret)
		if _, err := t.exec(ctx, stmtPersonPut, call.Practice, out.ID, p.SignInName, NameKey(p.SignInName), p.DisplayName, string(p.Role),
			p.Clinician, true, sealed, us(at), us(t.now)); err != nil {
			return Person{}, exists(s.clean(ctx, err), "people", "sign_in_name")
		}
		out.SecretTime, out.Etag, out.CreateTime, out.UpdateTime = at, etag(1), t.now, t.now
		t.about("people/"+out.ID, "sign_in_name", "display_name", "role", "clinician", "active")
		if len(secret) > 0 {
			t.about("people/"+out.ID, "passphrase")
		}
		return out, nil
	})
}

// UpdatePerson changes a person.
func (s *Store) UpdatePerson(ctx context.Context, call Call, change PersonUpdate) (Person, error) {
	return write(ctx, s, call, func(t *tx) (Person, error) {
		row, err := t.personToChange(ctx, change.ID)
		if err != nil {
			return Person{}, err
		}
		if change.Etag != etag(row.RowVersion) {
			return Person{}, stale("people/" + change.ID)
		}
		var fields []string
		next := row.record()
		set(&next.SignInName, change.SignInName, "sign_in_name", &fields)
		set(&next.DisplayName, change.DisplayName, "display_name", &fields)
		set(&next.Role, change.Role, "role", &fields)
		set(&next.Clinician, change.Clinician, "clinician", &fields)
		set(&next.Active, change.Active, "active", &fields)
		if err := t.checkPerson(ctx, next); err != nil {
			return Person{}, err
		}
		row.SignInName, row.NameKey, row.DisplayName = next.SignInName, NameKey(next.SignInName), next.DisplayName
		row.Role, row.Clinician, row.Active = string(next.Role), next.Clinician, next.Active
		t.about("people/"+row.ID, fields...)
		if !row.Active {
			if err := t.endSessions(ctx, row.ID, ""); err != nil {
				return Person{}, err
			}
		}
		return t.putPerson(ctx, row)
	})
}

// SetSecret replaces the passphrase's hash.
func (s *Store) SetSecret(ctx context.Context, call Call, person string, secret []byte, keep string) (Person, error) {
	return write(ctx, s, call, func(t *tx) (Person, error) {
		row, err := t.personToChange(ctx, person)
		if err != nil {
			return Person{}, err
		}
		var at time.Time
		row.Secret, at = t.sealSecret(person, secret)
		row.SecretUS = us(at)
		t.about("people/"+person, "passphrase")
		if err := t.endSessions(ctx, person, keep); err != nil {
			return Person{}, err
		}
		return t.putPerson(ctx, row)
	})
}

// personToChange reads a person as the practice's only writer, so that a
// session that begins at the same time is either seen and ended, or sees the change.
func (t *tx) personToChange(ctx context.Context, id string) (row personRow, err error) {
	if err = t.lockHead(ctx); err != nil {
		return row, err
	}
	err = t.get(ctx, &row, stmtPersonGet, t.call.Practice, id)
	if noRows(err) {
		err = notFound("people/" + id)
	}
	return row, err
}

func (t *tx) putPerson(ctx context.Context, r personRow) (Person, error) {
	n, err := t.exec(ctx, stmtPersonUpdate, t.call.Practice, r.ID, r.RowVersion, r.SignInName, r.NameKey, r.DisplayName, r.Role, r.Clinician,
		r.Active, slices.Concat([]byte{}, r.Secret), r.SecretUS, us(t.now))
	if err != nil {
		return Person{}, exists(t.s.clean(ctx, err), "people/"+r.ID, "sign_in_name")
	}
	if n == 0 {
		return Person{}, stale("people/" + r.ID)
	}
	r.RowVersion++
	r.UpdateUS = us(t.now)
	return r.record(), nil
}

// GetPerson returns one person.
func (s *Store) GetPerson(ctx context.Context, call Call, id string) (Person, error) {
	var row personRow
	err := s.glance(ctx, call, func(q querier, _ time.Time) error {
		err := q.get(ctx, &row, stmtPersonGet, call.Practice, id)
		if noRows(err) {
			err = notFound("people/" + id)
		}
		return err
	})
	return row.record(), err
}

// ListPeople returns all people by sign-in name.
func (s *Store) ListPeople(ctx context.Context, call Call) ([]Person, error) {
	var rows []personRow
	err := s.glance(ctx, call, func(q querier, _ time.Time) error {
		return q.list(ctx, &rows, stmtPersonList, call.Practice)
	})
	out := make([]Person, len(rows))
	for i, r := range rows {
		out[i] = r.record()
	}
	return out, err
}

// FindPerson looks for a sign-in name. The hash is nil when there is none.
func (s *Store) FindPerson(ctx context.Context, practice, signInName string) (Person, []byte, error) {
	var row personRow
	err := s.glance(ctx, Call{Practice: practice}, func(q querier, _ time.Time) error {
		err := q.get(ctx, &row, stmtPersonByName, practice, NameKey(signInName))
		if noRows(err) {
			err = notFound("people/")
		}
		return err
	})
	if err != nil || len(row.Secret) == 0 {
		return row.record(), nil, err
	}
	secret, err := s.keys.open(row.Secret, practice, secretRecord(row.ID))
	return row.record(), secret, err
}
