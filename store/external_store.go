package store

import (
	"context"
	"encoding/json"
	"slices"
	"time"
)

// Kinds of record that external ids may name.
const (
	externalPatient   = "patient"
	externalCase      = "case"
	externalClinician = "clinician"
	externalResource  = "resource"
)

const maxExternalIDs = 16

var (
	stmtExternalDrop = writes("external drop", `DELETE FROM external_ids WHERE practice_id = ?1 AND kind = ?2 AND record_id = ?3`)
	stmtExternalPut  = writes("external put", `
		INSERT INTO external_ids (practice_id, kind, system, value, record_id) VALUES (?1, ?2, ?3, ?4, ?5)`)
	stmtExternalFind = reads("external find", `
		SELECT record_id FROM external_ids WHERE practice_id = ?1 AND kind = ?2 AND system = ?3 AND value = ?4`)
)

func checkExternalIDs(ids []ExternalID) error {
	if len(ids) > maxExternalIDs {
		return invalid("external_ids", "at most 16")
	}
	for _, x := range ids {
		if err := checkExternalID(x, "external_ids"); err != nil {
			return err
		}
	}
	return nil
}

func checkExternalID(x ExternalID, field string) error {
	if x.System == "" || len(x.System) > 64 || x.Value == "" || len(x.Value) > 128 {
		return invalid(field, "a system of 1 to 64 bytes and a value of 1 to 128 bytes")
	}
	return nil
}

// putExternalIDs replaces the names that other systems have for a record. before
// is what was kept until now.
func (t *tx) putExternalIDs(ctx context.Context, kind, id string, before, now []ExternalID) error {
	if slices.Equal(before, now) {
		return nil
	}
	if len(before) > 0 {
		if _, err := t.exec(ctx, stmtExternalDrop, t.call.Practice, kind, id); err != nil {
			return err
		}
	}
	for _, x := range now {
		if _, err := t.exec(ctx, stmtExternalPut, t.call.Practice, kind, x.System, x.Value, id); err != nil {
			return exists(t.s.clean(ctx, err), kind, "external_ids")
		}
	}
	return nil
}

// FindExternal returns the id of the record of a kind ("patient", "case",
// "clinician", "resource") that another system knows by a name. ErrNotFound.
func (s *Store) FindExternal(ctx context.Context, call Call, kind string, x ExternalID) (string, error) {
	var id string
	err := s.glance(ctx, call, func(q querier, _ time.Time) error {
		return q.get(ctx, &id, stmtExternalFind, call.Practice, kind, x.System, x.Value)
	})
	return id, err
}

func jsonText(v any) string {
	b, err := json.Marshal(v)
	if err != nil { // plain structs of strings and numbers always marshal
		return "null"
	}
	return string(b)
}

func fromJSON[T any](text string) (out T) {
	_ = json.Unmarshal([]byte(text), &out) // written by jsonText
	return out
}
