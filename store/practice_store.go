package store

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"strconv"
	"time"
)

const practiceColumns = `practice_id, name, zone, notation, settings, row_version, create_us, update_us`

var (
	stmtPracticeGet = reads("practice get", `SELECT `+practiceColumns+` FROM practices WHERE practice_id = ?1`)
	stmtPracticeAll = reads("practice ids", `SELECT practice_id FROM practices ORDER BY practice_id`)
	stmtPracticePut = writes("practice put", `
		INSERT INTO practices (`+practiceColumns+`) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)`)
	stmtPracticeUpdate = writes("practice update", `
		UPDATE practices SET name = ?3, zone = ?4, notation = ?5, settings = ?6, row_version = row_version + 1, update_us = ?7
		WHERE practice_id = ?1 AND row_version = ?2`)
	stmtHeadNew = writes("head new", `
		INSERT INTO practice_heads (practice_id, audit_seq, audit_hash, change_seq, change_floor, diary_version, setup_version)
		VALUES (?1, 0, ?2, 0, 0, 0, 0)`)
)

type practiceRow struct {
	ID         string `db:"practice_id"`
	Name       string `db:"name"`
	Zone       string `db:"zone"`
	Notation   string `db:"notation"`
	Settings   []byte `db:"settings"`
	RowVersion int64  `db:"row_version"`
	CreateUS   int64  `db:"create_us"`
	UpdateUS   int64  `db:"update_us"`
}

func (r practiceRow) record() Practice {
	return Practice{ID: r.ID, Name: r.Name, Zone: r.Zone, Notation: r.Notation, Settings: r.Settings,
		Etag: etag(r.RowVersion), CreateTime: fromUS(r.CreateUS), UpdateTime: fromUS(r.UpdateUS)}
}

// etag is the version of a row as clients see it (RFC 9110 spells it in quotes).
func etag(version int64) string { return `"` + strconv.FormatInt(version, 10) + `"` }

// NewPractice is a practice with its first tokens, made together.
type NewPractice struct {
	ID       string // chosen: 1 to 40 letters of a-z, 0-9 and -
	Name     string
	Zone     string // IANA zone
	Notation string // empty means "iso"
	Settings []byte // JSON; empty means {}
	// Tokens are its first tokens, at least one, made by store/access.
	Tokens []Token
}

// CreatePractice makes a practice and its first tokens. It belongs to no call,
// since nobody has rights yet: the program that owns the database runs it.
// ErrExists when there is one of that id.
func (s *Store) CreatePractice(ctx context.Context, n NewPractice) (Practice, error) {
	p := Practice{ID: n.ID, Name: n.Name, Zone: n.Zone, Notation: n.Notation, Settings: n.Settings}
	if p.Notation == "" {
		p.Notation = "iso"
	}
	if len(p.Settings) == 0 {
		p.Settings = []byte("{}")
	}
	if err := checkPractice(p); err != nil {
		return Practice{}, err
	}
	if len(n.Tokens) == 0 {
		return Practice{}, invalid("tokens", "at least one, or nobody can enter")
	}
	call := Call{Practice: n.ID, Actor: n.Tokens[0].ID, Role: n.Tokens[0].Role, Method: "CreatePractice"}
	return write(ctx, s, call, func(t *tx) (Practice, error) {
		now := us(t.now)
		_, err := t.exec(ctx, stmtPracticePut, p.ID, p.Name, p.Zone, p.Notation, p.Settings, int64(1), now, now)
		if err == nil {
			_, err = t.exec(ctx, stmtHeadNew, p.ID, make([]byte, 32))
		}
		for _, k := range n.Tokens {
			if err == nil {
				err = t.putToken(ctx, k)
			}
		}
		if err != nil {
			return Practice{}, exists(s.clean(ctx, err), "practices/"+n.ID, "practice")
		}
		t.about("practices/"+p.ID, "name", "zone", "notation", "settings")
		t.changed("practice.created", "practices/"+p.ID, etag(1))
		p.Etag, p.CreateTime, p.UpdateTime = etag(1), t.now, t.now
		return p, nil
	})
}

// Practices returns the ids of all practices, for maintenance and for the first
// start.
func (s *Store) Practices(ctx context.Context) ([]string, error) {
	var ids []string
	q, _, err := s.begin(ctx, everyPractice, true)
	if err != nil {
		return nil, s.clean(ctx, err)
	}
	defer func() { _ = q.tx.Rollback() }()
	return ids, s.clean(ctx, q.list(ctx, &ids, stmtPracticeAll))
}

func checkPractice(p Practice) error {
	switch {
	case !validID(p.ID):
		return invalid("practice", "1 to 40 letters of a-z, 0-9 and -")
	case p.Name == "" || len(p.Name) > 200:
		return invalid("name", "1 to 200 bytes")
	case p.Notation != "iso" && p.Notation != "universal" && p.Notation != "quadrant":
		return invalid("notation", `"iso", "universal" or "quadrant"`)
	case !json.Valid(p.Settings) || len(p.Settings) > MaxDocument:
		return invalid("settings", "a JSON document of at most 1 MiB")
	}
	if _, err := time.LoadLocation(p.Zone); err != nil || p.Zone == "" || p.Zone == "Local" {
		return invalid("zone", `an IANA zone, for example "Europe/Vienna"`)
	}
	return nil
}

// GetPractice returns the caller's practice.
func (s *Store) GetPractice(ctx context.Context, call Call) (Practice, error) {
	var row practiceRow
	err := s.glance(ctx, call, func(q querier, _ time.Time) error {
		return q.get(ctx, &row, stmtPracticeGet, call.Practice)
	})
	return row.record(), err
}

// UpdatePractice changes settings.
func (s *Store) UpdatePractice(ctx context.Context, call Call, change PracticeUpdate) (Practice, error) {
	return write(ctx, s, call, func(t *tx) (Practice, error) {
		var row practiceRow
		if err := t.get(ctx, &row, stmtPracticeGet, call.Practice); err != nil {
			return Practice{}, err
		}
		name := "practices/" + row.ID
		if change.Etag != etag(row.RowVersion) {
			return Practice{}, stale(name)
		}
		var fields []string
		set(&row.Name, change.Name, "name", &fields)
		set(&row.Zone, change.Zone, "zone", &fields)
		set(&row.Notation, change.Notation, "notation", &fields)
		if change.Settings != nil {
			row.Settings = change.Settings
			fields = append(fields, "settings")
		}
		if err := checkPractice(row.record()); err != nil {
			return Practice{}, err
		}
		n, err := t.exec(ctx, stmtPracticeUpdate, row.ID, row.RowVersion, row.Name, row.Zone, row.Notation, row.Settings, us(t.now))
		if err != nil {
			return Practice{}, err
		}
		if n == 0 {
			return Practice{}, stale(name)
		}
		if change.Carrier != nil {
			if err := t.putCarrier(ctx, *change.Carrier); err != nil {
				return Practice{}, err
			}
			fields = append(fields, "carrier")
		}
		row.RowVersion++
		row.UpdateUS = us(t.now)
		t.about(name, fields...)
		if err := t.setupChanged(ctx); err != nil {
			return Practice{}, err
		}
		t.changed("practice.changed", name, etag(row.RowVersion))
		return row.record(), nil
	})
}

// setupChanged makes readers of the diary load its setup anew.
func (t *tx) setupChanged(ctx context.Context) error {
	if err := t.lockHead(ctx); err != nil {
		return err
	}
	t.head.SetupVersion++
	return nil
}

// set copies a wanted value and notes its field's name.
func set[T any](into *T, want *T, name string, fields *[]string) {
	if want != nil {
		*into = *want
		*fields = append(*fields, name)
	}
}

func noRows(err error) bool { return errors.Is(err, sql.ErrNoRows) }
