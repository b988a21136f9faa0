package store

import (
	"context"
	"time"
)

// ShortNoticeEntry is a patient who would take a freed place.
type ShortNoticeEntry struct {
	ID         string
	PatientID  string
	Document   []byte // what suits them, opaque; sealed at rest
	Etag       string
	CreateTime time.Time
}

// MaxShortNotice is the most entries that a practice's list holds: it is read
// as a whole when a place is freed.
const MaxShortNotice = 1000

// ShortNotice keeps the list of patients who would take a freed place.
type ShortNotice interface {
	// AddShortNotice puts a patient on the list. ErrNotFound when the patient is
	// not this practice's, ErrWrongState when the list is full.
	AddShortNotice(ctx context.Context, call Call, e ShortNoticeEntry) (ShortNoticeEntry, error)
	// ListShortNotice returns the whole list, the oldest first.
	ListShortNotice(ctx context.Context, call Call) ([]ShortNoticeEntry, error)
	// DropShortNotice takes a patient off the list. ErrNotFound.
	DropShortNotice(ctx context.Context, call Call, id string) error
}

var _ ShortNotice = (*Store)(nil)

var (
	stmtShortNoticePut = writes("short notice put", `
		INSERT INTO short_notice (practice_id, id, patient_id, sealed, row_version, create_us) VALUES (?1, ?2, ?3, ?4, 1, ?5)`)
	stmtShortNoticeList = reads("short notice list", `
		SELECT id, patient_id, sealed, row_version, create_us FROM short_notice WHERE practice_id = ?1 ORDER BY create_us, id`)
	stmtShortNoticeCount = reads("short notice count", `SELECT count(*) FROM short_notice WHERE practice_id = ?1`)
	stmtShortNoticeDrop  = writes("short notice drop", `DELETE FROM short_notice WHERE practice_id = ?1 AND id = ?2`)
)

type shortNoticeRow struct {
	ID         string `db:"id"`
	PatientID  string `db:"patient_id"`
	Sealed     []byte `db:"sealed"`
	RowVersion int64  `db:"row_version"`
	CreateUS   int64  `db:"create_us"`
}

// AddShortNotice puts a patient on the list.
func (s *Store) AddShortNotice(ctx context.Context, call Call, e ShortNoticeEntry) (ShortNoticeEntry, error) {
	if len(e.Document) > MaxDocument {
		return ShortNoticeEntry{}, invalid("document", "at most 1 MiB")
	}
	return write(ctx, s, call, func(t *tx) (ShortNoticeEntry, error) {
		if err := t.patientThere(ctx, e.PatientID); err != nil {
			return ShortNoticeEntry{}, err
		}
		var n int
		if err := t.get(ctx, &n, stmtShortNoticeCount, call.Practice); err != nil {
			return ShortNoticeEntry{}, err
		}
		if n >= MaxShortNotice {
			return ShortNoticeEntry{}, wrongState("practices/"+call.Practice, "a short-notice list of at most 1000 entries")
		}
		out := e
		out.ID, out.Etag, out.CreateTime = newID(t.now), etag(1), t.now
		name := "shortNoticeEntries/" + out.ID
		if _, err := t.exec(ctx, stmtShortNoticePut, call.Practice, out.ID, e.PatientID, s.keys.seal(e.Document, call.Practice, name), us(t.now)); err != nil {
			return ShortNoticeEntry{}, err
		}
		t.about(name, "patient", "wishes")
		return out, nil
	})
}

// ListShortNotice returns the whole list, the oldest first.
func (s *Store) ListShortNotice(ctx context.Context, call Call) ([]ShortNoticeEntry, error) {
	var rows []shortNoticeRow
	var at time.Time
	err := s.glance(ctx, call, func(q querier, now time.Time) error {
		at = now
		return q.list(ctx, &rows, stmtShortNoticeList, call.Practice)
	})
	if err != nil {
		return nil, err
	}
	out := make([]ShortNoticeEntry, len(rows))
	for i, r := range rows {
		plain, err := s.keys.open(r.Sealed, call.Practice, "shortNoticeEntries/"+r.ID)
		if err != nil {
			return nil, err
		}
		out[i] = ShortNoticeEntry{ID: r.ID, PatientID: r.PatientID, Document: plain, Etag: etag(r.RowVersion), CreateTime: fromUS(r.CreateUS)}
	}
	return out, s.access.record(ctx, call, "shortNoticeEntries", at)
}

// DropShortNotice takes a patient off the list.
func (s *Store) DropShortNotice(ctx context.Context, call Call, id string) error {
	_, err := write(ctx, s, call, func(t *tx) (struct{}, error) {
		n, err := t.exec(ctx, stmtShortNoticeDrop, call.Practice, id)
		if err == nil && n == 0 {
			err = notFound("shortNoticeEntries/" + id)
		}
		t.about("shortNoticeEntries/"+id, "deleted")
		return struct{}{}, err
	})
	return err
}
