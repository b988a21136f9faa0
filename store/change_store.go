package store

import (
	"context"
	"time"
)

// Changes are kept for ChangeRetention; a reader that was away longer reads the
// diary anew.
const ChangeRetention = 14 * 24 * time.Hour

const maxChanges = 1000

var (
	stmtChangesAfter = reads("changes after", `
		SELECT seq, at_us, kind, resource, etag, actor FROM changes WHERE practice_id = ?1 AND seq > ?2 ORDER BY seq LIMIT ?3`)
	stmtChangesDrop = writes("changes drop", `DELETE FROM changes WHERE practice_id = ?1 AND seq <= ?2`)
	stmtChangesOld  = reads("changes old", `SELECT coalesce(max(seq), 0) FROM changes WHERE practice_id = ?1 AND at_us < ?2`)
	stmtFloorPut    = writes("floor put", `UPDATE practice_heads SET change_floor = ?2 WHERE practice_id = ?1 AND change_floor < ?2`)
	stmtRequestsOld = writes("requests old", `DELETE FROM requests WHERE practice_id = ?1 AND create_us < ?2`)
)

type changeRow struct {
	Seq      int64  `db:"seq"`
	AtUS     int64  `db:"at_us"`
	Kind     string `db:"kind"`
	Resource string `db:"resource"`
	Etag     string `db:"etag"`
	Actor    string `db:"actor"`
}

// ReadChanges returns at most limit changes after seq, in order.
func (s *Store) ReadChanges(ctx context.Context, call Call, after int64, limit int) ([]Change, error) {
	if limit < 1 || limit > maxChanges {
		return nil, invalid("limit", "1 to 1000")
	}
	var out []Change
	err := s.view(ctx, call, func(q querier, _ time.Time) error {
		var h head
		if err := q.get(ctx, &h, stmtHeadGet, call.Practice); err != nil {
			return err
		}
		if after < h.ChangeFloor {
			return &Problem{Kind: ErrExpired, Field: "resume_token", Want: "a fresh read of the diary, then its newest token"}
		}
		if after > h.ChangeSeq {
			return invalid("resume_token", "a token that this diary gave")
		}
		var rows []changeRow
		if err := q.list(ctx, &rows, stmtChangesAfter, call.Practice, after, limit); err != nil {
			return err
		}
		for _, r := range rows {
			out = append(out, Change{Seq: r.Seq, Time: fromUS(r.AtUS), Kind: r.Kind, Resource: r.Resource, Etag: r.Etag, Actor: r.Actor})
		}
		return nil
	})
	return out, err
}

// LastChange returns the newest Seq of the practice.
func (s *Store) LastChange(ctx context.Context, call Call) (int64, error) {
	var h head
	err := s.glance(ctx, call, func(q querier, _ time.Time) error {
		return q.get(ctx, &h, stmtHeadGet, call.Practice)
	})
	return h.ChangeSeq, err
}

// Tidy forgets what has been kept long enough: request ids after a day, lines of
// the change log after ChangeRetention. It never touches the audit trail.
func (s *Store) Tidy(ctx context.Context) error {
	practices, err := s.Practices(ctx)
	if err != nil {
		return err
	}
	for _, p := range practices {
		_, err := write(ctx, s, maintenance(p, "Tidy"), func(t *tx) (struct{}, error) {
			t.silent = true
			if _, err := t.exec(ctx, stmtRequestsOld, p, us(t.now.Add(-RequestRetention))); err != nil {
				return struct{}{}, err
			}
			var seq int64
			if err := t.get(ctx, &seq, stmtChangesOld, p, us(t.now.Add(-ChangeRetention))); err != nil || seq == 0 {
				return struct{}{}, err
			}
			if _, err := t.exec(ctx, stmtFloorPut, p, seq); err != nil {
				return struct{}{}, err
			}
			_, err := t.exec(ctx, stmtChangesDrop, p, seq)
			return struct{}{}, err
		})
		if err != nil {
			return err
		}
	}
	return s.tidyFile(ctx)
}

// tidyFile lets SQLite look after its statistics and its log. Another process
// that reads just now keeps the log from being cut: the next time does it.
func (s *Store) tidyFile(ctx context.Context) error {
	if s.postgres {
		return nil
	}
	for _, text := range []string{"PRAGMA optimize", "PRAGMA wal_checkpoint(TRUNCATE)"} {
		if _, err := s.writer.ExecContext(ctx, text); err != nil {
			return s.clean(ctx, err)
		}
	}
	return nil
}
