package store

import (
	"context"
	"errors"
	"maps"
	"slices"
	"time"
)

var (
	stmtDaysOf = differs("diary days of", `
		SELECT day, version, masks FROM diary_days WHERE practice_id = ?1 AND day IN (SELECT value FROM json_each(?2))`, `
		SELECT day, version, masks FROM diary_days WHERE practice_id = ?1 AND day IN (SELECT value::bigint FROM jsonb_array_elements_text(?2::jsonb))`, false)
	stmtDaysSince = reads("diary days since", `
		SELECT day, version, masks FROM diary_days WHERE practice_id = ?1 AND day BETWEEN ?2 AND ?3 AND version > ?4 ORDER BY day`)
	stmtDayPut = differs("diary day put", `
		INSERT INTO diary_days (practice_id, day, version, masks) VALUES (?1, ?2, ?3, ?4)
		ON CONFLICT (practice_id, day) DO UPDATE SET version = excluded.version, masks = excluded.masks`, "", true)  // on PostgreSQL "leave" writes them
	stmtSpansOfDay = differs("spans of day", `
		SELECT resource, start_us, end_us FROM spans
		WHERE practice_id = ?1 AND resource IN (SELECT value FROM json_each(?2)) AND hold IN (1, 2)
		AND start_us < ?4 AND start_us > ?3 - 86400000000 AND end_us > ?3`, `
		SELECT resource, start_us, end_us FROM spans
		WHERE practice_id = ?1 AND resource = ANY(?2::text[]) AND hold IN (1, 2)
		AND start_us < ?4 AND start_us > ?3 - 86400000000 AND end_us > ?3`, false)
	stmtDueThere = reads("due there", `
		SELECT count(*) FROM (SELECT 1 FROM appointments WHERE practice_id = ?1 AND due_us > 0 AND due_us <= ?2 LIMIT 1) AS d`)
)

type dayRow struct {
	Day     int64  `db:"day"`
	Version int64  `db:"version"`
	Masks   []byte `db:"masks"`
}

// dayTouch is what a transaction did to one UTC day.
type dayTouch struct {
	added []spanJSON      // spans that came: their cells are set
	again map[string]bool // resources of which spans went: their masks are made anew
}

// occupied notes spans that came into the diary.
func (t *tx) occupied(spans []spanJSON) { t.touch(spans, false) }

// freed notes spans that left it.
func (t *tx) freed(spans []spanJSON) { t.touch(spans, true) }

func (t *tx) touch(spans []spanJSON, freed bool) {
	if t.days == nil {
		t.days = map[int64]*dayTouch{}
	}
	for _, p := range spans {
		if refOf(p.Resource).Kind == KindPatient {
			continue
		}
		for day := dayOf(p.StartUS); day <= dayOf(p.EndUS-1); day++ {
			d := t.days[day]
			if d == nil {
				d = &dayTouch{again: map[string]bool{}}
				t.days[day] = d
			}
			if freed {
				d.again[p.Resource] = true
			} else {
				d.added = append(d.added, p)
			}
		}
	}
}

// dayOf is the UTC day of an instant, also before 1970.
func dayOf(at int64) int64 {
	d := at / dayUS
	if at%dayUS < 0 {
		d--
	}
	return d
}

// writeDays brings the masks of the touched days up to date. The practice's head
// is locked, so nobody else writes them meanwhile.
func (t *tx) writeDays(ctx context.Context) error {
	if len(t.days) == 0 {
		return nil
	}
	t.head.DiaryVersion++
	days := slices.Sorted(maps.Keys(t.days))
	var rows []dayRow
	if err := t.list(ctx, &rows, stmtDaysOf, t.call.Practice, jsonText(days)); err != nil {
		return err
	}
	kept := make(map[int64]map[string]*Mask, len(rows))
	for _, r := range rows {
		masks, err := decodeMasks(r.Masks)
		if err != nil {
			return err
		}
		kept[r.Day] = masks
	}
	for _, day := range days {
		masks := kept[day]
		if masks == nil {
			masks = map[string]*Mask{}
		}
		if err := t.writeDay(ctx, day, masks, t.days[day]); err != nil {
			return err
		}
	}
	return nil
}

func (t *tx) writeDay(ctx context.Context, day int64, masks map[string]*Mask, touch *dayTouch) error {
	spans := touch.added
	if len(touch.again) > 0 {
		refs := slices.Sorted(maps.Keys(touch.again))
		for _, ref := range refs {
			delete(masks, ref)
		}
		rows, err := t.rows(ctx, stmtSpansOfDay, t.call.Practice, t.s.textList(refs), day*dayUS, (day+1)*dayUS)
		if err != nil {
			return err
		}
		defer func() { _ = rows.Close() }()
		for rows.Next() {
			var p spanJSON
			if err := rows.Scan(&p.Resource, &p.StartUS, &p.EndUS); err != nil {
				return err
			}
			spans = append(spans, p)
		}
		if err := rows.Err(); err != nil {
			return err
		}
	}
	for _, p := range spans {
		m := masks[p.Resource]
		if m == nil {
			m = &Mask{}
			masks[p.Resource] = m
		}
		m.set(p.StartUS-day*dayUS, p.EndUS-day*dayUS)
	}
	if t.s.postgres {
		t.dayRows = append(t.dayRows, dayRow{Day: day, Masks: encodeMasks(masks)})
		return nil
	}
	_, err := t.exec(ctx, stmtDayPut, t.call.Practice, day, t.head.DiaryVersion, encodeMasks(masks))
	return err
}

// set marks every cell that the span from..to, in microseconds of the day, touches.
func (m *Mask) set(from, to int64) {
	const cell = int64(CellMinutes * time.Minute / time.Microsecond)
	first := max(from, 0) / cell
	last := (min(to, dayUS) - 1) / cell
	for i := first; i <= last; i++ {
		m[i>>3] |= 1 << (i & 7)
	}
}

// encodeMasks writes each resource as: length of its name (1 byte), name, mask.
func encodeMasks(masks map[string]*Mask) []byte {
	out := make([]byte, 0, len(masks)*(CellsPerDay/8+36))
	for _, ref := range slices.Sorted(maps.Keys(masks)) {
		out = append(out, byte(len(ref)))
		out = append(out, ref...)
		out = append(out, masks[ref][:]...)
	}
	return out
}

var errMasks = errors.New("masks of a day are damaged")

func decodeMasks(b []byte) (map[string]*Mask, error) {
	const size = CellsPerDay / 8
	out := map[string]*Mask{}
	for len(b) > 0 {
		n := int(b[0])
		if len(b) < 1+n+size {
			return nil, errMasks
		}
		m := Mask(b[1+n : 1+n+size])
		out[string(b[1:1+n])] = &m
		b = b[1+n+size:]
	}
	return out, nil
}

// ReadDays returns the masks of the days that changed after version since.
func (s *Store) ReadDays(ctx context.Context, call Call, from, to, since int64) (DiaryDays, error) {
	if to < from || time.Duration(to-from)*24*time.Hour > MaxRange {
		return DiaryDays{}, invalid("to", "a range of at most 400 days")
	}
	if err := s.endDueFirst(ctx, call); err != nil {
		return DiaryDays{}, err
	}
	var out DiaryDays
	err := s.view(ctx, call, func(q querier, _ time.Time) error {
		var h head
		if err := q.get(ctx, &h, stmtHeadGet, call.Practice); err != nil {
			return err
		}
		out = DiaryDays{Version: h.DiaryVersion, SetupVersion: h.SetupVersion}
		if h.DiaryVersion <= since {
			return nil
		}
		rows, err := q.rows(ctx, stmtDaysSince, call.Practice, from, to, since)
		if err != nil {
			return err
		}
		defer func() { _ = rows.Close() }()
		refs := map[string]ResourceRef{} // each name is split once
		for rows.Next() {
			var r dayRow
			if err := rows.Scan(&r.Day, &r.Version, &r.Masks); err != nil {
				return err
			}
			day, err := r.record(refs)
			if err != nil {
				return err
			}
			out.Days = append(out.Days, day)
		}
		return rows.Err()
	})
	return out, err
}

func (r dayRow) record(refs map[string]ResourceRef) (DiaryDay, error) {
	const size = CellsPerDay / 8
	d := DiaryDay{Day: r.Day, Version: r.Version, Masks: make(map[ResourceRef]Mask, len(r.Masks)/(size+33))}
	for b := r.Masks; len(b) > 0; {
		n := int(b[0])
		if len(b) < 1+n+size {
			return d, errMasks
		}
		ref, ok := refs[string(b[1:1+n])]
		if !ok {
			ref = refOf(string(b[1 : 1+n]))
			refs[string(b[1:1+n])] = ref
		}
		d.Masks[ref] = Mask(b[1+n : 1+n+size])
		b = b[1+n+size:]
	}
	return d, nil
}

// endDueFirst ends what is past its time before the diary is read, so that it is
// not shown as occupied.
func (s *Store) endDueFirst(ctx context.Context, call Call) error {
	due := 0
	err := s.glance(ctx, call, func(q querier, now time.Time) error {
		return q.get(ctx, &due, stmtDueThere, call.Practice, us(now))
	})
	if err != nil || due == 0 {
		return err
	}
	_, err = s.endDueOf(ctx, call.Practice)
	return err
}
