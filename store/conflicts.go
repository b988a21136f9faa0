package store

import (
	"context"
	"time"
)

// Conflicts says, of the appointments named that hold their resources, which
// others hold one of them at the same time. At most MaxTakeIn ids.
func (s *Store) Conflicts(ctx context.Context, call Call, ids []string) (map[string][]string, error) {
	if len(ids) > MaxTakeIn {
		return nil, invalid("ids", "at most 2000 in one call")
	}
	out := map[string][]string{}
	if len(ids) == 0 {
		return out, nil
	}
	var pairs []struct {
		Of   string `db:"of"`
		With string `db:"with_id"`
	}
	err := s.view(ctx, call, func(q querier, _ time.Time) error {
		return q.list(ctx, &pairs, stmtConflicts, call.Practice, s.textList(ids))
	})
	for _, p := range pairs {
		out[p.Of] = append(out[p.Of], p.With)
	}
	return out, err
}
