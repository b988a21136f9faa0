package store

import (
	"bytes"
	"context"
	"encoding/base64"
	"encoding/json"
	"slices"
	"strings"
	"time"

	"github.com/lib/pq"
)

const patientColumns = `id, reference, weight_grams, birth_year, sealed, external_ids, row_version, create_us, update_us`

var (
	stmtPatientGet = reads("patient get", `SELECT `+patientColumns+` FROM patients WHERE practice_id = ?1 AND id = ?2`)
	stmtPatientPut = writes("patient put", `
		INSERT INTO patients (practice_id, reference_key, `+patientColumns+`) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, 1, ?9, ?9)`)
	stmtPatientUpdate = writes("patient update", `
		UPDATE patients SET reference_key = ?4, reference = ?5, weight_grams = ?6, birth_year = ?7, sealed = ?8, external_ids = ?9,
			row_version = row_version + 1, update_us = ?10
		WHERE practice_id = ?1 AND id = ?2 AND row_version = ?3`)
	stmtPatientPage = reads("patient page", `
		SELECT reference_key, `+patientColumns+` FROM patients
		WHERE practice_id = ?1 AND reference_key >= ?2 AND reference_key < ?3 AND reference_key > ?4
		ORDER BY reference_key LIMIT ?5`)
	stmtPatientsByID = differs("patients by id", `
		SELECT reference_key, `+patientColumns+` FROM patients
		WHERE practice_id = ?1 AND id IN (SELECT value FROM json_each(?2)) AND reference_key > ?3 ORDER BY reference_key LIMIT ?4`, `
		SELECT reference_key, `+patientColumns+` FROM patients
		WHERE practice_id = ?1 AND id = ANY (?2::text[]) AND reference_key > ?3 ORDER BY reference_key LIMIT ?4`, false)
	stmtPatientByWord = reads("patient by word", `
		SELECT p.reference_key, p.id, p.reference, p.weight_grams, p.birth_year, p.sealed, p.external_ids, p.row_version, p.create_us, p.update_us
		FROM patient_words w JOIN patients p ON p.practice_id = w.practice_id AND p.id = w.patient_id
		WHERE w.practice_id = ?1 AND w.word = ?2 AND p.reference_key > ?3
		ORDER BY p.reference_key LIMIT ?4`)
	stmtWordDrop = writes("patient word drop", `DELETE FROM patient_words WHERE practice_id = ?1 AND patient_id = ?2`)
	stmtWordPut  = differs("patient word put", `INSERT INTO patient_words (practice_id, patient_id, word) VALUES (?1, ?2, ?3)`, `
		INSERT INTO patient_words (practice_id, patient_id, word) SELECT ?1, ?2, w FROM unnest(?3::bytea[]) AS w`, true)
)

// lastKey is above every reference key: U+10FFFF is no letter.
const lastKey = "\U0010FFFF"

type patientRow struct {
	ReferenceKey string `db:"reference_key"`
	ID           string `db:"id"`
	Reference    string `db:"reference"`
	WeightGrams  int    `db:"weight_grams"`
	BirthYear    int    `db:"birth_year"`
	Sealed       []byte `db:"sealed"`
	ExternalIDs  string `db:"external_ids"`
	RowVersion   int64  `db:"row_version"`
	CreateUS     int64  `db:"create_us"`
	UpdateUS     int64  `db:"update_us"`
}

// sealedPatient is what lies sealed in a patient's row.
type sealedPatient struct {
	Contact  Contact `json:"contact"`
	Alerts   []Alert `json:"alerts,omitempty"`
	Document []byte  `json:"document,omitempty"`
}

func (s *Store) patient(practice string, r patientRow) (Patient, error) {
	plain, err := s.keys.open(r.Sealed, practice, "patients/"+r.ID)
	if err != nil {
		return Patient{}, err
	}
	var inner sealedPatient
	if err := json.Unmarshal(plain, &inner); err != nil {
		return Patient{}, &Problem{Kind: ErrSealed, Resource: "patients/" + r.ID, cause: err}
	}
	p := Patient{ID: r.ID, Reference: r.Reference, Contact: inner.Contact, WeightGrams: r.WeightGrams, BirthYear: r.BirthYear,
		Alerts: inner.Alerts, Document: inner.Document, Etag: etag(r.RowVersion), CreateTime: fromUS(r.CreateUS), UpdateTime: fromUS(r.UpdateUS)}
	if r.ExternalIDs != "[]" && r.ExternalIDs != "null" {
		p.ExternalIDs = fromJSON[[]ExternalID](r.ExternalIDs)
	}
	return p, nil
}

func (s *Store) sealPatient(practice string, p Patient) []byte {
	plain, _ := json.Marshal(sealedPatient{p.Contact, p.Alerts, p.Document}) // strings and bytes always marshal
	return s.keys.seal(plain, practice, "patients/"+p.ID)
}

func checkPatient(p Patient) error {
	switch {
	case strings.TrimSpace(p.Reference) == "" || len(p.Reference) > 64:
		return invalid("reference", "1 to 64 bytes, not blank")
	case p.WeightGrams < 0 || p.WeightGrams > 500_000:
		return invalid("weight_grams", "0 for not known, or up to 500000")
	case len(p.Document) > MaxDocument:
		return invalid("document", "at most 1 MiB")
	case len(p.Alerts) > 64:
		return invalid("alerts", "at most 64")
	}
	return checkExternalIDs(p.ExternalIDs)
}

// CreatePatient keeps a new patient.
func (s *Store) CreatePatient(ctx context.Context, call Call, p Patient) (Patient, error) {
	if err := checkPatient(p); err != nil {
		return Patient{}, err
	}
	return write(ctx, s, call, func(t *tx) (Patient, error) {
		out := p
		out.ID = newID(t.now)
		_, err := t.exec(ctx, stmtPatientPut, call.Practice, fold(p.Reference), out.ID, p.Reference, p.WeightGrams, p.BirthYear,
			s.sealPatient(call.Practice, out), jsonText(p.ExternalIDs), us(t.now))
		if err != nil {
			return Patient{}, exists(s.clean(ctx, err), "patients", "reference")
		}
		if err := t.putWords(ctx, out.ID, indexWords(p.Contact)); err != nil {
			return Patient{}, err
		}
		if err := t.putExternalIDs(ctx, externalPatient, out.ID, nil, p.ExternalIDs); err != nil {
			return Patient{}, err
		}
		out.Etag, out.CreateTime, out.UpdateTime = etag(1), t.now, t.now
		t.about("patients/"+out.ID, "reference", "contact", "weight_grams", "birth_year", "alerts", "document", "external_ids")
		t.changed("patient.created", "patients/"+out.ID, out.Etag)
		return out, nil
	})
}

// UpdatePatient changes the fields that are set.
func (s *Store) UpdatePatient(ctx context.Context, call Call, change PatientUpdate) (Patient, error) {
	return write(ctx, s, call, func(t *tx) (Patient, error) {
		name := "patients/" + change.ID
		var row patientRow
		if err := t.get(ctx, &row, stmtPatientGet, call.Practice, change.ID); err != nil {
			if noRows(err) {
				err = notFound(name)
			}
			return Patient{}, err
		}
		if change.Etag != etag(row.RowVersion) {
			return Patient{}, stale(name)
		}
		before, err := s.patient(call.Practice, row)
		if err != nil {
			return Patient{}, err
		}
		p := before
		var fields []string
		set(&p.Reference, change.Reference, "reference", &fields)
		set(&p.Contact, change.Contact, "contact", &fields)
		set(&p.WeightGrams, change.WeightGrams, "weight_grams", &fields)
		set(&p.BirthYear, change.BirthYear, "birth_year", &fields)
		set(&p.Alerts, change.Alerts, "alerts", &fields)
		set(&p.Document, change.Document, "document", &fields)
		set(&p.ExternalIDs, change.ExternalIDs, "external_ids", &fields)
		if err := checkPatient(p); err != nil {
			return Patient{}, err
		}
		n, err := t.exec(ctx, stmtPatientUpdate, call.Practice, p.ID, row.RowVersion, fold(p.Reference), p.Reference, p.WeightGrams,
			p.BirthYear, s.sealPatient(call.Practice, p), jsonText(p.ExternalIDs), us(t.now))
		if err != nil {
			return Patient{}, exists(s.clean(ctx, err), name, "reference")
		}
		if n == 0 { // another writer was between our read and our write
			return Patient{}, stale(name)
		}
		if words := indexWords(p.Contact); !slices.Equal(words, indexWords(before.Contact)) {
			if _, err := t.exec(ctx, stmtWordDrop, call.Practice, p.ID); err != nil {
				return Patient{}, err
			}
			if err := t.putWords(ctx, p.ID, words); err != nil {
				return Patient{}, err
			}
		}
		if err := t.putExternalIDs(ctx, externalPatient, p.ID, before.ExternalIDs, p.ExternalIDs); err != nil {
			return Patient{}, err
		}
		p.Etag, p.UpdateTime = etag(row.RowVersion+1), t.now
		t.about(name, fields...)
		t.changed("patient.changed", name, p.Etag)
		return p, nil
	})
}

func (t *tx) putWords(ctx context.Context, id string, words []string) error {
	if len(words) == 0 {
		return nil
	}
	hashes := make([][]byte, len(words))
	for i, w := range words {
		hashes[i] = t.s.keys.wordHash(t.call.Practice, w)
	}
	slices.SortFunc(hashes, bytes.Compare) // the order of words would tell something
	if t.s.postgres {
		_, err := t.exec(ctx, stmtWordPut, t.call.Practice, id, pq.ByteaArray(hashes))
		return err
	}
	for _, h := range hashes {
		if _, err := t.exec(ctx, stmtWordPut, t.call.Practice, id, h); err != nil {
			return err
		}
	}
	return nil
}

// GetPatient reads one patient and leaves an entry in the audit trail.
func (s *Store) GetPatient(ctx context.Context, call Call, id string) (Patient, error) {
	var row patientRow
	var at time.Time
	err := s.glance(ctx, call, func(q querier, now time.Time) error {
		at = now
		err := q.get(ctx, &row, stmtPatientGet, call.Practice, id)
		if noRows(err) {
			err = notFound("patients/" + id)
		}
		return err
	})
	if err != nil {
		return Patient{}, err
	}
	p, err := s.patient(call.Practice, row)
	if err != nil {
		return Patient{}, err
	}
	return p, s.access.record(ctx, call, "patients/"+id, at)
}

// SearchPatients returns a page by reference and the cursor of the next.
func (s *Store) SearchPatients(ctx context.Context, call Call, q PatientQuery) ([]Patient, string, error) {
	after, err := cursorText(q.Page.After)
	if err != nil {
		return nil, "", err
	}
	size := q.Page.Most()
	var rows []patientRow
	var at time.Time
	err = s.view(ctx, call, func(r querier, now time.Time) error {
		at = now
		switch {
		case q.Label != "":
			return s.patientsByWords(ctx, r, call.Practice, queryLabelWords(q.Label), after, size+1, &rows)
		case q.Phone != "":
			word := queryPhoneWord(q.Phone)
			if word == "" {
				return invalid("phone", "at least six digits")
			}
			return s.patientsByWords(ctx, r, call.Practice, []string{word}, after, size+1, &rows)
		case len(q.IDs) > 0:
			return r.list(ctx, &rows, stmtPatientsByID, call.Practice, s.textList(q.IDs), after, size+1)
		case q.External != ExternalID{}:
			return patientByExternal(ctx, r, call.Practice, q.External, &rows)
		default:
			from := fold(q.Reference)
			return r.list(ctx, &rows, stmtPatientPage, call.Practice, from, from+lastKey, after, size+1)
		}
	})
	if err != nil {
		return nil, "", err
	}
	next := ""
	if len(rows) > size {
		rows = rows[:size]
		next = textCursor(rows[size-1].ReferenceKey)
	}
	out := make([]Patient, len(rows))
	for i, row := range rows {
		if out[i], err = s.patient(call.Practice, row); err != nil {
			return nil, "", err
		}
	}
	for _, p := range out { // each record shown is a record read
		if err := s.access.record(ctx, call, "patients/"+p.ID, at); err != nil {
			return nil, "", err
		}
	}
	return out, next, nil
}

// patientsByWords finds patients that have every word. It walks the first word
// and keeps those whose contact has the others too, so that hashes of several
// words are never joined in the database.
func (s *Store) patientsByWords(ctx context.Context, q querier, practice string, words []string, after string, want int, into *[]patientRow) error {
	if len(words) == 0 {
		return invalid("label", "at least one word")
	}
	first := s.keys.wordHash(practice, words[0])
	for len(*into) < want {
		var rows []patientRow
		if err := q.list(ctx, &rows, stmtPatientByWord, practice, first, after, want); err != nil {
			return err
		}
		for _, row := range rows {
			after = row.ReferenceKey
			if len(words) > 1 {
				p, err := s.patient(practice, row)
				if err != nil {
					return err
				}
				have := indexWords(p.Contact)
				if slices.ContainsFunc(words, func(w string) bool { return !slices.Contains(have, w) }) {
					continue
				}
			}
			if *into = append(*into, row); len(*into) == want {
				return nil
			}
		}
		if len(rows) < want {
			return nil
		}
	}
	return nil
}

func patientByExternal(ctx context.Context, q querier, practice string, x ExternalID, into *[]patientRow) error {
	var id string
	err := q.get(ctx, &id, stmtExternalFind, practice, externalPatient, x.System, x.Value)
	if noRows(err) {
		return nil
	}
	if err != nil {
		return err
	}
	return q.list(ctx, into, stmtPatientGet, practice, id)
}

func textCursor(key string) string { return base64.RawURLEncoding.EncodeToString([]byte(key)) }

func cursorText(cursor string) (string, error) {
	b, err := base64.RawURLEncoding.DecodeString(cursor)
	if err != nil {
		return "", invalid("page", "the cursor of the page before")
	}
	return string(b), nil
}
