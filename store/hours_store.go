package store

import (
	"context"
	"slices"
	"strings"
	"time"
)

var (
	stmtHoursGet  = reads("hours get", `SELECT owner, rules, row_version FROM hours WHERE practice_id = ?1 AND owner = ?2`)
	stmtHoursList = reads("hours list", `SELECT owner, rules, row_version FROM hours WHERE practice_id = ?1 ORDER BY owner`)
	stmtHoursPut  = writes("hours put", `INSERT INTO hours (practice_id, owner, rules, row_version) VALUES (?1, ?2, ?3, 1)`)
	// Rows are kept when their rules go, so that an old etag never fits again.
	stmtHoursUpdate = writes("hours update", `
		UPDATE hours SET rules = ?4, row_version = row_version + 1 WHERE practice_id = ?1 AND owner = ?2 AND row_version = ?3`)

	stmtAbsenceGet  = reads("absence get", `SELECT `+absenceColumns+` FROM absences WHERE practice_id = ?1 AND id = ?2`)
	stmtAbsenceList = reads("absence list", `SELECT `+absenceColumns+` FROM absences WHERE practice_id = ?1 ORDER BY from_day, from_min, id`)
	stmtAbsencePut  = writes("absence put", `
		INSERT INTO absences (practice_id, `+absenceColumns+`) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, 1, ?10)`)
	stmtAbsenceUpdate = writes("absence update", `
		UPDATE absences SET owner = ?4, from_day = ?5, from_min = ?6, to_day = ?7, to_min = ?8, kind = ?9, note = ?10, row_version = row_version + 1
		WHERE practice_id = ?1 AND id = ?2 AND row_version = ?3`)
	stmtAbsenceDrop = writes("absence drop", `DELETE FROM absences WHERE practice_id = ?1 AND id = ?2`)
)

const absenceColumns = `id, owner, from_day, from_min, to_day, to_min, kind, note, row_version, create_us`

const maxRules = 256

type hoursRow struct {
	Owner      string `db:"owner"`
	Rules      string `db:"rules"`
	RowVersion int64  `db:"row_version"`
}

func refOf(text string) ResourceRef {
	kind, id, _ := strings.Cut(text, "/")
	return ResourceRef{ResourceKind(kind), id}
}

func allHours(ctx context.Context, q querier, practice string) ([]Hours, error) {
	var rows []hoursRow
	err := q.list(ctx, &rows, stmtHoursList, practice)
	out := make([]Hours, len(rows))
	for i, r := range rows {
		out[i] = Hours{Owner: refOf(r.Owner), Rules: fromJSON[[]HoursRule](r.Rules), Etag: etag(r.RowVersion)}
	}
	return out, err
}

func validDay(s string) bool {
	_, err := time.Parse(time.DateOnly, s)
	return err == nil
}

func checkRules(rules []HoursRule) error {
	if len(rules) > maxRules {
		return invalid("rules", "at most 256")
	}
	for i, r := range rules {
		switch {
		case r.Weekday < 1 || r.Weekday > 7:
			return invalid("rules.weekday", "1 Monday to 7 Sunday")
		case r.StartMinute < 0 || r.EndMinute > 1440 || r.StartMinute >= r.EndMinute:
			return invalid("rules.end_minute", "after start_minute, within 0 to 1440")
		case r.EveryWeeks < 1 || r.EveryWeeks > 8:
			return invalid("rules.every_weeks", "1 to 8")
		case r.InWeek < 0 || r.InWeek >= r.EveryWeeks:
			return invalid("rules.in_week", "0 to every_weeks - 1")
		case r.From != "" && !validDay(r.From), r.To != "" && !validDay(r.To):
			return invalid("rules.from", "calendar days, 2006-01-02")
		case r.From != "" && r.To != "" && r.From > r.To:
			return invalid("rules.to", "not before from")
		}
		for _, other := range rules[:i] {
			if r.overlaps(other) {
				return invalid("rules", "no two rules that overlap on one day")
			}
		}
	}
	return nil
}

// overlaps reports whether two rules can hold at one moment of one day.
func (r HoursRule) overlaps(o HoursRule) bool {
	if r.Weekday != o.Weekday || r.StartMinute >= o.EndMinute || o.StartMinute >= r.EndMinute {
		return false
	}
	if (r.To != "" && o.From != "" && r.To < o.From) || (o.To != "" && r.From != "" && o.To < r.From) {
		return false
	}
	// Two cycles meet when their weeks agree modulo the greatest common divisor.
	a, b := r.EveryWeeks, o.EveryWeeks
	for b != 0 {
		a, b = b, a%b
	}
	return (r.InWeek-o.InWeek)%a == 0
}

// PutHours replaces all hours of one owner.
func (s *Store) PutHours(ctx context.Context, call Call, h Hours) (Hours, error) {
	if err := checkRules(h.Rules); err != nil {
		return Hours{}, err
	}
	if h.Owner != (ResourceRef{}) && !h.Owner.bookable() {
		return Hours{}, invalid("owner", "a room, clinician, nurse or unit, or empty for the practice")
	}
	h.Rules = slices.Clone(h.Rules)
	return write(ctx, s, call, func(t *tx) (Hours, error) {
		name := resourceName(h.Owner) + "/hours"
		if h.Owner != (ResourceRef{}) {
			if _, err := t.findResource(ctx, h.Owner); err != nil {
				return Hours{}, err
			}
		}
		var row hoursRow
		err := t.get(ctx, &row, stmtHoursGet, call.Practice, h.Owner.ref())
		switch {
		case noRows(err) && h.Etag == "":
			if _, err = t.exec(ctx, stmtHoursPut, call.Practice, h.Owner.ref(), jsonText(h.Rules)); err != nil {
				if kind := s.clean(ctx, err); isExists(kind) {
					err = stale(name) // somebody made them meanwhile
				}
				return Hours{}, err
			}
		case noRows(err):
			return Hours{}, stale(name)
		case err != nil:
			return Hours{}, err
		default:
			n := int64(0)
			if h.Etag == etag(row.RowVersion) {
				if n, err = t.exec(ctx, stmtHoursUpdate, call.Practice, h.Owner.ref(), row.RowVersion, jsonText(h.Rules)); err != nil {
					return Hours{}, err
				}
			}
			if n == 0 {
				return Hours{}, stale(name)
			}
		}
		h.Etag = etag(row.RowVersion + 1)
		t.about(name, "rules")
		if err := t.setupChanged(ctx); err != nil {
			return Hours{}, err
		}
		t.changed("setup.changed", name, h.Etag)
		return h, nil
	})
}

type absenceRow struct {
	ID         string `db:"id"`
	Owner      string `db:"owner"`
	FromDay    string `db:"from_day"`
	FromMin    int    `db:"from_min"`
	ToDay      string `db:"to_day"`
	ToMin      int    `db:"to_min"`
	Kind       string `db:"kind"`
	Note       string `db:"note"`
	RowVersion int64  `db:"row_version"`
	CreateUS   int64  `db:"create_us"`
}

func (r absenceRow) record() Absence {
	return Absence{ID: r.ID, Owner: refOf(r.Owner), FromDay: r.FromDay, FromMin: r.FromMin, ToDay: r.ToDay, ToMin: r.ToMin,
		Kind: r.Kind, Note: r.Note, Etag: etag(r.RowVersion), CreateTime: fromUS(r.CreateUS)}
}

func allAbsences(ctx context.Context, q querier, practice string) ([]Absence, error) {
	var rows []absenceRow
	err := q.list(ctx, &rows, stmtAbsenceList, practice)
	out := make([]Absence, len(rows))
	for i, r := range rows {
		out[i] = r.record()
	}
	return out, err
}

func checkAbsence(a Absence) error {
	switch {
	case a.Owner != (ResourceRef{}) && !a.Owner.bookable():
		return invalid("owner", "a room, clinician, nurse or unit, or empty for the practice")
	case !validDay(a.FromDay) || !validDay(a.ToDay):
		return invalid("from_day", "calendar days, 2006-01-02")
	case a.FromMin < 0 || a.FromMin > 1439 || a.ToMin < 1 || a.ToMin > 1440:
		return invalid("to_min", "minutes of the day: from 0 to 1439, to 1 to 1440")
	case a.FromDay > a.ToDay || (a.FromDay == a.ToDay && a.FromMin >= a.ToMin):
		return invalid("to_day", "an end after the beginning")
	case len(a.Kind) > 64 || len(a.Note) > 500:
		return invalid("note", "at most 500 bytes, kind at most 64")
	}
	return nil
}

// PutAbsence creates (ID empty) or replaces an absence or a closure.
func (s *Store) PutAbsence(ctx context.Context, call Call, a Absence) (Absence, error) {
	if err := checkAbsence(a); err != nil {
		return Absence{}, err
	}
	return write(ctx, s, call, func(t *tx) (Absence, error) {
		if a.Owner != (ResourceRef{}) {
			if _, err := t.findResource(ctx, a.Owner); err != nil {
				return Absence{}, err
			}
		}
		out, version := a, int64(1)
		if a.ID == "" {
			out.ID, out.CreateTime = newID(t.now), t.now
			if _, err := t.exec(ctx, stmtAbsencePut, call.Practice, out.ID, a.Owner.ref(), a.FromDay, a.FromMin, a.ToDay, a.ToMin,
				a.Kind, a.Note, us(t.now)); err != nil {
				return Absence{}, err
			}
		} else {
			var row absenceRow
			if err := t.get(ctx, &row, stmtAbsenceGet, call.Practice, a.ID); err != nil {
				if noRows(err) {
					err = notFound("absences/" + a.ID)
				}
				return Absence{}, err
			}
			n, err := int64(0), error(nil)
			if a.Etag == etag(row.RowVersion) {
				n, err = t.exec(ctx, stmtAbsenceUpdate, call.Practice, a.ID, row.RowVersion, a.Owner.ref(), a.FromDay, a.FromMin, a.ToDay, a.ToMin, a.Kind, a.Note)
			}
			if err != nil {
				return Absence{}, err
			}
			if n == 0 {
				return Absence{}, stale("absences/" + a.ID)
			}
			version, out.CreateTime = row.RowVersion+1, fromUS(row.CreateUS)
		}
		out.Etag = etag(version)
		t.about("absences/"+out.ID, "owner", "from", "to", "kind", "note")
		if err := t.setupChanged(ctx); err != nil {
			return Absence{}, err
		}
		t.changed("setup.changed", "absences/"+out.ID, out.Etag)
		return out, nil
	})
}

// DeleteAbsence removes an absence or a closure.
func (s *Store) DeleteAbsence(ctx context.Context, call Call, id string) error {
	_, err := write(ctx, s, call, func(t *tx) (struct{}, error) {
		n, err := t.exec(ctx, stmtAbsenceDrop, call.Practice, id)
		if err == nil && n == 0 {
			err = notFound("absences/" + id)
		}
		if err == nil {
			err = t.setupChanged(ctx)
		}
		t.about("absences/"+id, "deleted")
		t.changed("setup.changed", "absences/"+id, "")
		return struct{}{}, err
	})
	return err
}
