package store

import (
	"context"
	"strconv"
	"strings"
	"time"
)

const appointmentPage = `
	AND (a.start_us, a.id) > (?4, ?5) AND (?6 = 1 OR a.state IN ('provisional', 'booked', 'arrived', 'in_chair', 'left'))
	ORDER BY a.start_us, a.id LIMIT ?7`

// An appointment is at most a day long, so that those that reach into a range
// begin at most a day before it.
var (
	stmtAppointments = reads("appointments", `
		SELECT `+prefixed+` FROM appointments a
		WHERE a.practice_id = ?1 AND a.start_us < ?3 AND a.start_us > ?2 - 86400000000 AND a.end_us > ?2`+appointmentPage)
	// SQLite is told the index: for the order of the page it would walk the whole
	// practice's diary in place of one patient's.
	stmtAppointmentsOfPatient = differs("appointments of patient", ofPatient("appointments a INDEXED BY appointments_patient"), ofPatient("appointments a"), false)
	stmtAppointmentsOfCaseIn  = reads("appointments of case", `
		SELECT `+prefixed+` FROM appointment_cases c JOIN appointments a ON a.practice_id = c.practice_id AND a.id = c.appointment_id
		WHERE c.practice_id = ?1 AND c.case_id = ?8 AND a.start_us < ?3 AND a.start_us > ?2 - 86400000000 AND a.end_us > ?2`+appointmentPage)
	stmtAppointmentsOfResource = reads("appointments of resource", `
		SELECT `+prefixed+` FROM appointments a
		WHERE a.practice_id = ?1 AND a.start_us < ?3 AND a.start_us > ?2 - 86400000000 AND a.end_us > ?2
		AND EXISTS (SELECT 1 FROM spans s WHERE s.practice_id = ?1 AND s.appointment_id = a.id AND s.resource = ?8)`+appointmentPage)
	// Row security lets PostgreSQL look up by a comparison only when both sides
	// are plain columns: the day is taken off beforehand. OFFSET 0 and one lookup
	// for each hold keep it to the index while it has no statistics; it joined all
	// spans of a resource with each other.
	stmtConflicts = differs("conflicts", `
		SELECT DISTINCT x.appointment_id AS of, y.appointment_id AS with_id
		FROM json_each(?2) w CROSS JOIN spans x CROSS JOIN spans y
		WHERE x.practice_id = ?1 AND x.appointment_id = w.value AND x.hold > 0
		AND y.practice_id = ?1 AND y.resource = x.resource AND y.hold IN (1, 2) AND y.start_us < x.end_us
		AND y.start_us > x.start_us - 86400000000 AND y.end_us > x.start_us AND y.appointment_id <> x.appointment_id
		ORDER BY 1, 2`, `
		WITH x AS MATERIALIZED (
			SELECT s.appointment_id, s.resource, s.start_us, s.end_us, s.start_us - 86400000000 AS low
			FROM unnest(?2::text[]) AS w(id) CROSS JOIN LATERAL (
				SELECT * FROM spans WHERE practice_id = ?1 AND appointment_id = w.id AND hold > 0 OFFSET 0) s)
		SELECT DISTINCT x.appointment_id AS of, y.appointment_id AS with_id
		FROM x CROSS JOIN (VALUES (1::smallint), (2::smallint)) AS v(hold) CROSS JOIN LATERAL (
			SELECT s.appointment_id FROM spans s
			WHERE s.practice_id = ?1 AND s.resource = x.resource AND s.hold = v.hold AND s.start_us < x.end_us AND s.start_us > x.low
				AND s.end_us > x.start_us AND s.appointment_id <> x.appointment_id
			OFFSET 0) y
		ORDER BY 1, 2`, false)
)

func ofPatient(from string) string {
	return `
		SELECT ` + prefixed + ` FROM ` + from + `
		WHERE a.practice_id = ?1 AND a.patient_id = ?8 AND a.start_us < ?3 AND a.start_us > ?2 - 86400000000 AND a.end_us > ?2` + appointmentPage
}

var prefixed = strings.NewReplacer("coalesce(patient_id", "coalesce(a.patient_id").Replace(prefixColumns(appointmentColumns))

func prefixColumns(columns string) string {
	parts := strings.Split(columns, ", ")
	for i, p := range parts {
		if !strings.Contains(p, "(") && p != "'') AS patient_id" {
			parts[i] = "a." + p
		}
	}
	return strings.Join(parts, ", ")
}

// withConflicts turns rows into records and marks, on those that hold their
// resources, which others hold one of them at the same time. It is worked out
// when read, so that it is right whatever came first.
func (s *Store) withConflicts(ctx context.Context, q querier, practice string, rows []appointmentRow) ([]Appointment, error) {
	out := make([]Appointment, len(rows))
	at := make(map[string]int, len(rows))
	ids := make([]string, len(rows))
	for i, r := range rows {
		a, err := s.appointment(practice, r)
		if err != nil {
			return nil, err
		}
		out[i], at[r.ID], ids[i] = a, i, r.ID
	}
	if len(rows) == 0 {
		return out, nil
	}
	var pairs []struct {
		Of   string `db:"of"`
		With string `db:"with_id"`
	}
	if err := q.list(ctx, &pairs, stmtConflicts, practice, s.textList(ids)); err != nil {
		return nil, err
	}
	for _, p := range pairs {
		a := &out[at[p.Of]]
		a.Conflicts = append(a.Conflicts, p.With)
	}
	return out, nil
}

// ListAppointments returns a page by start and the cursor of the next.
func (s *Store) ListAppointments(ctx context.Context, call Call, q AppointmentQuery) ([]Appointment, string, error) {
	if !q.From.Before(q.To) || q.To.Sub(q.From) > MaxRange {
		return nil, "", invalid("to", "after from, at most 400 days later")
	}
	start, id, err := appointmentCursor(q.Page.After)
	if err != nil {
		return nil, "", err
	}
	all := 0
	if q.All {
		all = 1
	}
	size := q.Page.Most()
	args := []any{call.Practice, us(q.From), us(q.To), start, id, all, size + 1}
	st := stmtAppointments
	switch {
	case q.CaseID != "":
		st, args = stmtAppointmentsOfCaseIn, append(args, q.CaseID)
	case q.PatientID != "":
		st, args = stmtAppointmentsOfPatient, append(args, q.PatientID)
	case q.Resource != (ResourceRef{}):
		st, args = stmtAppointmentsOfResource, append(args, q.Resource.ref())
	}
	if err := s.endDueFirst(ctx, call); err != nil {
		return nil, "", err
	}
	var out []Appointment
	next := ""
	var at time.Time
	err = s.view(ctx, call, func(r querier, now time.Time) error {
		at = now
		var rows []appointmentRow
		if err := r.list(ctx, &rows, st, args...); err != nil {
			return err
		}
		if len(rows) > size {
			rows = rows[:size]
			next = strconv.FormatInt(rows[size-1].StartUS, 10) + "." + rows[size-1].ID
		}
		var err error
		out, err = s.withConflicts(ctx, r, call.Practice, rows)
		return err
	})
	if err != nil {
		return nil, "", err
	}
	// A page of the diary is one read: its entry names the range's first day.
	return out, next, s.access.record(ctx, call, "diary/"+q.From.UTC().Format(time.DateOnly), at)
}

func appointmentCursor(after string) (int64, string, error) {
	if after == "" {
		return -1 << 62, "", nil
	}
	text, id, _ := strings.Cut(after, ".")
	start, err := strconv.ParseInt(text, 10, 64)
	if err != nil || !validID(id) {
		return 0, "", invalid("page", "the cursor of the page before")
	}
	return start, id, nil
}
