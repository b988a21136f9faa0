package store

import (
	"context"
	"crypto/sha256"
	"time"
)

// CalendarFeed is a calendar that programs elsewhere subscribe to.
type CalendarFeed struct {
	ID    string
	Owner ResourceRef // a clinician or a resource
	Label string      // at most 100 bytes
	// Hash is the SHA-256 of the secret in the feed's address.
	Hash       [sha256.Size]byte
	CreateTime time.Time
}

// MaxCalendarFeeds is the most feeds that a practice keeps.
const MaxCalendarFeeds = 1000

// CalendarFeeds keeps the feeds of a practice.
type CalendarFeeds interface {
	// CreateCalendarFeed keeps a feed; hash is asked for the hash of the secret
	// that belongs to its id. ErrWrongState when there are MaxCalendarFeeds.
	CreateCalendarFeed(ctx context.Context, call Call, f CalendarFeed, hash func(id string) [sha256.Size]byte) (CalendarFeed, error)
	// FindCalendarFeed returns a feed by practice and id: nobody is known yet
	// when a feed is read. ErrNotFound.
	FindCalendarFeed(ctx context.Context, practice, id string) (CalendarFeed, error)
	// ListCalendarFeeds returns all of them, the oldest first.
	ListCalendarFeeds(ctx context.Context, call Call) ([]CalendarFeed, error)
	// DeleteCalendarFeed ends a feed at once. ErrNotFound.
	DeleteCalendarFeed(ctx context.Context, call Call, id string) error
	// PatientReferences returns the practice's own references of patients, and
	// nothing else about them. Ids of nobody are left out. It is one read.
	PatientReferences(ctx context.Context, call Call, ids []string) (map[string]string, error)
}

var _ CalendarFeeds = (*Store)(nil)

const feedColumns = `id, owner, label, hash, create_us`

var (
	stmtFeedPut = writes("calendar feed put", `
		INSERT INTO calendar_feeds (practice_id, `+feedColumns+`) VALUES (?1, ?2, ?3, ?4, ?5, ?6)`)
	stmtFeedGet  = reads("calendar feed get", `SELECT `+feedColumns+` FROM calendar_feeds WHERE practice_id = ?1 AND id = ?2`)
	stmtFeedList = reads("calendar feed list", `
		SELECT `+feedColumns+` FROM calendar_feeds WHERE practice_id = ?1 ORDER BY create_us, id`)
	stmtFeedCount  = reads("calendar feed count", `SELECT count(*) FROM calendar_feeds WHERE practice_id = ?1`)
	stmtFeedDrop   = writes("calendar feed drop", `DELETE FROM calendar_feeds WHERE practice_id = ?1 AND id = ?2`)
	stmtReferences = differs("patient references", `
		SELECT p.id, p.reference FROM json_each(?2) w CROSS JOIN patients p WHERE p.practice_id = ?1 AND p.id = w.value`, `
		SELECT id, reference FROM patients WHERE practice_id = ?1 AND id = ANY(?2::text[])`, false)
)

type feedRow struct {
	ID       string `db:"id"`
	Owner    string `db:"owner"`
	Label    string `db:"label"`
	Hash     []byte `db:"hash"`
	CreateUS int64  `db:"create_us"`
}

func (r feedRow) record() CalendarFeed {
	f := CalendarFeed{ID: r.ID, Owner: refOf(r.Owner), Label: r.Label, CreateTime: fromUS(r.CreateUS)}
	copy(f.Hash[:], r.Hash)
	return f
}

// CreateCalendarFeed keeps a feed.
func (s *Store) CreateCalendarFeed(ctx context.Context, call Call, f CalendarFeed, hash func(id string) [sha256.Size]byte) (CalendarFeed, error) {
	switch {
	case f.Owner.Kind == "" || f.Owner.Kind == KindPatient:
		return CalendarFeed{}, invalid("owner", "a clinician or a resource")
	case len(f.Label) > 100:
		return CalendarFeed{}, invalid("label", "at most 100 bytes")
	}
	return write(ctx, s, call, func(t *tx) (CalendarFeed, error) {
		if err := t.lockHead(ctx); err != nil { // so that the count holds
			return CalendarFeed{}, err
		}
		var n int
		if err := t.get(ctx, &n, stmtFeedCount, call.Practice); err != nil {
			return CalendarFeed{}, err
		}
		if n >= MaxCalendarFeeds {
			return CalendarFeed{}, wrongState("practices/"+call.Practice, "at most 1000 calendar feeds: delete one that nobody reads")
		}
		f.ID, f.CreateTime = newID(t.now), t.now
		f.Hash = hash(f.ID)
		if _, err := t.exec(ctx, stmtFeedPut, call.Practice, f.ID, f.Owner.ref(), f.Label, f.Hash[:], us(t.now)); err != nil {
			return CalendarFeed{}, err
		}
		t.about("calendarFeeds/"+f.ID, "owner", "label")
		return f, nil
	})
}

// FindCalendarFeed returns a feed by practice and id.
func (s *Store) FindCalendarFeed(ctx context.Context, practice, id string) (CalendarFeed, error) {
	var row feedRow
	err := s.glance(ctx, Call{Practice: practice}, func(q querier, _ time.Time) error {
		err := q.get(ctx, &row, stmtFeedGet, practice, id)
		if noRows(err) {
			err = notFound("calendarFeeds/" + id)
		}
		return err
	})
	return row.record(), err
}

// ListCalendarFeeds returns all feeds of the practice, the oldest first.
func (s *Store) ListCalendarFeeds(ctx context.Context, call Call) ([]CalendarFeed, error) {
	var rows []feedRow
	err := s.glance(ctx, call, func(q querier, _ time.Time) error {
		return q.list(ctx, &rows, stmtFeedList, call.Practice)
	})
	out := make([]CalendarFeed, len(rows))
	for i, r := range rows {
		out[i] = r.record()
	}
	return out, err
}

// DeleteCalendarFeed ends a feed at once.
func (s *Store) DeleteCalendarFeed(ctx context.Context, call Call, id string) error {
	_, err := write(ctx, s, call, func(t *tx) (struct{}, error) {
		n, err := t.exec(ctx, stmtFeedDrop, call.Practice, id)
		if err == nil && n == 0 {
			err = notFound("calendarFeeds/" + id)
		}
		t.about("calendarFeeds/"+id, "deleted")
		return struct{}{}, err
	})
	return err
}

// PatientReferences returns the practice's own references of patients.
func (s *Store) PatientReferences(ctx context.Context, call Call, ids []string) (map[string]string, error) {
	out := map[string]string{}
	if len(ids) == 0 {
		return out, nil
	}
	var rows []struct {
		ID        string `db:"id"`
		Reference string `db:"reference"`
	}
	var at time.Time
	err := s.glance(ctx, call, func(q querier, now time.Time) error {
		at = now
		return q.list(ctx, &rows, stmtReferences, call.Practice, s.textList(ids))
	})
	if err != nil {
		return nil, err
	}
	for _, r := range rows {
		out[r.ID] = r.Reference
	}
	return out, s.access.record(ctx, call, "patients", at)
}
