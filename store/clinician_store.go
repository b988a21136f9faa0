package store

import (
	"context"
	"encoding/json"
	"time"
)

const clinicianColumns = `id, name, protocols, settings, external_ids, active, row_version, create_us, update_us`

var (
	stmtClinicianGet  = reads("clinician get", `SELECT `+clinicianColumns+` FROM clinicians WHERE practice_id = ?1 AND id = ?2`)
	stmtClinicianList = reads("clinician list", `SELECT `+clinicianColumns+` FROM clinicians WHERE practice_id = ?1 ORDER BY name, id`)
	stmtClinicianPut  = writes("clinician put", `
		INSERT INTO clinicians (practice_id, `+clinicianColumns+`) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, 1, ?8, ?8)`)
	stmtClinicianUpdate = writes("clinician update", `
		UPDATE clinicians SET name = ?4, protocols = ?5, settings = ?6, external_ids = ?7, active = ?8,
			row_version = row_version + 1, update_us = ?9
		WHERE practice_id = ?1 AND id = ?2 AND row_version = ?3`)
)

type clinicianRow struct {
	ID          string `db:"id"`
	Name        string `db:"name"`
	Protocols   string `db:"protocols"`
	Settings    []byte `db:"settings"`
	ExternalIDs string `db:"external_ids"`
	Active      bool   `db:"active"`
	RowVersion  int64  `db:"row_version"`
	CreateUS    int64  `db:"create_us"`
	UpdateUS    int64  `db:"update_us"`
}

func (r clinicianRow) record() Clinician {
	return Clinician{ID: r.ID, Name: r.Name, Protocols: fromJSON[[]string](r.Protocols), Settings: r.Settings,
		ExternalIDs: fromJSON[[]ExternalID](r.ExternalIDs), Active: r.Active, Etag: etag(r.RowVersion),
		CreateTime: fromUS(r.CreateUS), UpdateTime: fromUS(r.UpdateUS)}
}

// PutClinician creates a clinician (ID empty) or replaces one.
func (s *Store) PutClinician(ctx context.Context, call Call, c Clinician) (Clinician, error) {
	if c.Name == "" || len(c.Name) > 200 {
		return Clinician{}, invalid("name", "1 to 200 bytes")
	}
	if len(c.Settings) == 0 {
		c.Settings = []byte("{}")
	}
	if !json.Valid(c.Settings) || len(c.Settings) > MaxDocument {
		return Clinician{}, invalid("settings", "a JSON document of at most 1 MiB")
	}
	if err := checkExternalIDs(c.ExternalIDs); err != nil {
		return Clinician{}, err
	}
	return write(ctx, s, call, func(t *tx) (Clinician, error) {
		out := c
		var before []ExternalID
		var version int64
		if c.ID == "" {
			out.ID, out.CreateTime, version = newID(t.now), t.now, 1
			if _, err := t.exec(ctx, stmtClinicianPut, call.Practice, out.ID, c.Name, jsonText(c.Protocols), c.Settings,
				jsonText(c.ExternalIDs), c.Active, us(t.now)); err != nil {
				return Clinician{}, err
			}
		} else {
			row, err := t.clinician(ctx, c.ID)
			if err != nil {
				return Clinician{}, err
			}
			if c.Etag != etag(row.RowVersion) {
				return Clinician{}, stale("clinicians/" + c.ID)
			}
			n, err := t.exec(ctx, stmtClinicianUpdate, call.Practice, c.ID, row.RowVersion, c.Name, jsonText(c.Protocols),
				c.Settings, jsonText(c.ExternalIDs), c.Active, us(t.now))
			if err != nil {
				return Clinician{}, err
			}
			if n == 0 {
				return Clinician{}, stale("clinicians/" + c.ID)
			}
			before, version, out.CreateTime = fromJSON[[]ExternalID](row.ExternalIDs), row.RowVersion+1, fromUS(row.CreateUS)
		}
		if err := t.putExternalIDs(ctx, externalClinician, out.ID, before, c.ExternalIDs); err != nil {
			return Clinician{}, err
		}
		if err := t.clinicianResource(ctx, out); err != nil {
			return Clinician{}, err
		}
		out.Etag, out.UpdateTime = etag(version), t.now
		t.about("clinicians/"+out.ID, "name", "protocols", "settings", "external_ids", "active")
		if err := t.setupChanged(ctx); err != nil {
			return Clinician{}, err
		}
		t.changed("setup.changed", "clinicians/"+out.ID, out.Etag)
		return out, nil
	})
}

func (t *tx) clinician(ctx context.Context, id string) (row clinicianRow, err error) {
	err = t.get(ctx, &row, stmtClinicianGet, t.call.Practice, id)
	if noRows(err) {
		err = notFound("clinicians/" + id)
	}
	return row, err
}

// GetClinician returns one clinician.
func (s *Store) GetClinician(ctx context.Context, call Call, id string) (Clinician, error) {
	var row clinicianRow
	err := s.glance(ctx, call, func(q querier, _ time.Time) error {
		err := q.get(ctx, &row, stmtClinicianGet, call.Practice, id)
		if noRows(err) {
			err = notFound("clinicians/" + id)
		}
		return err
	})
	return row.record(), err
}

// ListClinicians returns all clinicians by name.
func (s *Store) ListClinicians(ctx context.Context, call Call) ([]Clinician, error) {
	var out []Clinician
	err := s.glance(ctx, call, func(q querier, _ time.Time) error {
		var err error
		out, err = clinicians(ctx, q, call.Practice)
		return err
	})
	return out, err
}

func clinicians(ctx context.Context, q querier, practice string) ([]Clinician, error) {
	var rows []clinicianRow
	err := q.list(ctx, &rows, stmtClinicianList, practice)
	out := make([]Clinician, len(rows))
	for i, r := range rows {
		out[i] = r.record()
	}
	return out, err
}
