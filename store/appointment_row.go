package store

import (
	"context"
	"encoding/json"
	"time"

	"github.com/lib/pq"
)

const appointmentColumns = `id, booking, origin, system, value, coalesce(patient_id, '') AS patient_id, cases, state, start_us, end_us, zone, local_start, zone_version, spans, hold_until, if_needed, release_us, due_us, reason, late_minutes, arrive_us, chair_us, leave_us, sequence, sealed, content_hash, row_version, create_us, update_us`

var (
	stmtAppointmentGet = reads("appointment get", `
		SELECT `+appointmentColumns+` FROM appointments WHERE practice_id = ?1 AND id = ?2`)
	stmtAppointmentLock = differs("appointment lock", `
		SELECT `+appointmentColumns+` FROM appointments WHERE practice_id = ?1 AND id = ?2`, `
		SELECT `+appointmentColumns+` FROM appointments WHERE practice_id = ?1 AND id = ?2 FOR NO KEY UPDATE`, true)
	stmtBookingGet = reads("booking get", `
		SELECT `+appointmentColumns+` FROM appointments WHERE practice_id = ?1 AND booking = ?2 ORDER BY start_us, id`)
	stmtBookingLock = differs("booking lock", `
		SELECT `+appointmentColumns+` FROM appointments WHERE practice_id = ?1 AND booking = ?2 ORDER BY start_us, id`, `
		SELECT `+appointmentColumns+` FROM appointments WHERE practice_id = ?1 AND booking = ?2 ORDER BY start_us, id FOR NO KEY UPDATE`, true)
	stmtAppointmentPut = differs("appointment put", `
		INSERT INTO appointments (practice_id, id, booking, origin, system, value, patient_id, cases, state, start_us, end_us, zone, local_start,
			zone_version, spans, hold_until, if_needed, release_us, due_us, reason, late_minutes, arrive_us, chair_us, leave_us, sequence,
			sealed, content_hash, row_version, create_us, update_us)
		VALUES (?1, ?2, ?3, ?4, ?5, ?6, nullif(?7, ''), ?8, ?9, ?10, ?11, ?12, ?13, ?14, ?15, ?16, ?17, ?18, ?19, '', 0, 0, 0, 0, 0, ?20, ?21, 1, ?22, ?22)`, "", true)
	// All appointments of a booking with their cases and spans, in one round
	// trip. Row security rules out COPY, so that the rows come as one document.
	stmtAppointmentsPut = differs("appointments put", "", `
		WITH a AS (
			INSERT INTO appointments (practice_id, id, booking, origin, system, value, patient_id, cases, state, start_us, end_us, zone, local_start,
				zone_version, spans, hold_until, if_needed, release_us, due_us, reason, late_minutes, arrive_us, chair_us, leave_us, sequence,
				sealed, content_hash, row_version, create_us, update_us)
			SELECT ?1, id, booking, origin, system, value, nullif(patient, ''), cases, state, "from", "to", zone, local, zone_version, spans, hold_until,
				if_needed, release, due, '', 0, 0, 0, 0, 0, decode(sealed, 'base64'), decode(hash, 'base64'), 1, ?3, ?3
			FROM jsonb_to_recordset(?2::jsonb) AS w(id text, booking text, origin text, system text, value text, patient text, cases text, state text,
				"from" bigint, "to" bigint, zone text, local text, zone_version text, spans text, hold_until bigint, if_needed boolean, release bigint,
				due bigint, sealed text, hash text)
		), c AS (
			INSERT INTO appointment_cases (practice_id, appointment_id, case_id) SELECT ?1, a, c FROM unnest(?4::text[], ?5::text[]) AS w(a, c)
		)
		INSERT INTO spans (practice_id, appointment_id, resource, start_us, end_us, hold)
		SELECT ?1, a, r, s, e, h FROM unnest(?6::text[], ?7::text[], ?8::bigint[], ?9::bigint[], ?10::smallint[]) AS w(a, r, s, e, h)`, true)
	stmtAppointmentUpdate = writes("appointment update", `
		UPDATE appointments SET patient_id = nullif(?4, ''), state = ?5, start_us = ?6, end_us = ?7, zone = ?8, local_start = ?9,
			zone_version = ?10, spans = ?11, hold_until = ?12, release_us = ?13, due_us = ?14, reason = ?15, late_minutes = ?16,
			arrive_us = ?17, chair_us = ?18, leave_us = ?19, sequence = ?20, sealed = ?21, content_hash = ?22,
			row_version = row_version + 1, update_us = ?23
		WHERE practice_id = ?1 AND id = ?2 AND row_version = ?3`)
	stmtAppointmentCasePut = differs("appointment case put", `
		INSERT INTO appointment_cases (practice_id, appointment_id, case_id) VALUES (?1, ?2, ?3)`, "", true)
)

type appointmentRow struct {
	ID          string `db:"id"`
	Booking     string `db:"booking"`
	Origin      string `db:"origin"`
	System      string `db:"system"`
	Value       string `db:"value"`
	PatientID   string `db:"patient_id"`
	Cases       string `db:"cases"`
	State       string `db:"state"`
	StartUS     int64  `db:"start_us"`
	EndUS       int64  `db:"end_us"`
	Zone        string `db:"zone"`
	Local       string `db:"local_start"`
	ZoneVersion string `db:"zone_version"`
	Spans       string `db:"spans"`
	HoldUntil   int64  `db:"hold_until"`
	IfNeeded    bool   `db:"if_needed"`
	ReleaseUS   int64  `db:"release_us"`
	DueUS       int64  `db:"due_us"`
	Reason      string `db:"reason"`
	LateMinutes int    `db:"late_minutes"`
	ArriveUS    int64  `db:"arrive_us"`
	ChairUS     int64  `db:"chair_us"`
	LeaveUS     int64  `db:"leave_us"`
	Sequence    int    `db:"sequence"`
	Sealed      []byte `db:"sealed"`
	ContentHash []byte `db:"content_hash"`
	RowVersion  int64  `db:"row_version"`
	CreateUS    int64  `db:"create_us"`
	UpdateUS    int64  `db:"update_us"`
}

// sealedAppointment is what lies sealed in an appointment's row.
type sealedAppointment struct {
	Override *Override `json:"override,omitempty"`
	Document []byte    `json:"document,omitempty"`
}

func (s *Store) sealAppointment(practice, id string, inner sealedAppointment) []byte {
	if inner.Override == nil && len(inner.Document) == 0 {
		return []byte{}
	}
	plain, _ := json.Marshal(inner) // strings and bytes always marshal
	return s.keys.seal(plain, practice, "appointments/"+id)
}

func (s *Store) appointment(practice string, r appointmentRow) (Appointment, error) {
	a := Appointment{ID: r.ID, Booking: r.Booking, Origin: r.Origin, PatientID: r.PatientID, Cases: fromJSON[[]VisitOf](r.Cases),
		State: AppointmentState(r.State), Start: fromUS(r.StartUS), End: fromUS(r.EndUS), Zone: r.Zone, Local: r.Local,
		ZoneVersion: r.ZoneVersion, Spans: spansFrom(fromJSON[[]spanJSON](r.Spans)), HoldUntil: fromUS(r.HoldUntil),
		IfNeeded: r.IfNeeded, ReleaseTime: fromUS(r.ReleaseUS), Reason: r.Reason, LateMinutes: r.LateMinutes,
		ArriveTime: fromUS(r.ArriveUS), ChairTime: fromUS(r.ChairUS), LeaveTime: fromUS(r.LeaveUS), Sequence: r.Sequence,
		Etag: etag(r.RowVersion), CreateTime: fromUS(r.CreateUS), UpdateTime: fromUS(r.UpdateUS)}
	if r.Origin == OriginExternal {
		a.External = ExternalID{r.System, r.Value}
	}
	if len(r.Sealed) > 0 {
		plain, err := s.keys.open(r.Sealed, practice, "appointments/"+r.ID)
		if err != nil {
			return Appointment{}, err
		}
		var inner sealedAppointment
		if err := json.Unmarshal(plain, &inner); err != nil {
			return Appointment{}, &Problem{Kind: ErrSealed, Resource: "appointments/" + r.ID, cause: err}
		}
		a.Override, a.Document = inner.Override, inner.Document
	}
	return a, nil
}

// due is when the appointment ends by itself, 0 when it does not.
func (a Appointment) due() int64 {
	switch {
	case a.State == StateProvisional:
		return us(a.HoldUntil)
	case a.State == StateBooked && a.IfNeeded:
		return us(a.ReleaseTime)
	}
	return 0
}

// holds is how strongly the appointment holds its resources.
func (a Appointment) holds() int {
	switch a.State {
	case StateProvisional, StateBooked, StateArrived, StateInChair, StateLeft:
		if a.Origin == OriginExternal {
			return holdExternal
		}
		return holdOurs
	}
	return holdNothing
}

// allSpans are the spans asked for and the patient's own.
func (a Appointment) allSpans() []spanJSON {
	out := spansJSON(a.Spans)
	if a.PatientID != "" {
		out = append(out, spanJSON{ResourceRef{KindPatient, a.PatientID}.ref(), us(a.Start), us(a.End)})
	}
	return out
}

func (a Appointment) wanted(visit int) []wanted {
	var out []wanted
	for _, p := range a.allSpans() {
		out = append(out, wanted{p, a.ID, visit, a.holds()})
	}
	return out
}

// fresh is a new appointment, with the hash of its content when it comes from
// another system.
type fresh struct {
	Appointment
	hash []byte
}

// putAppointments keeps new appointments with their cases, and spans: theirs and
// those of others that changed.
func (t *tx) putAppointments(ctx context.Context, list []fresh, spans []wanted) error {
	if t.s.postgres {
		return t.putAppointmentsPostgres(ctx, list, spans)
	}
	for _, a := range list {
		hash := a.hash
		if hash == nil {
			hash = []byte{}
		}
		_, err := t.exec(ctx, stmtAppointmentPut, t.call.Practice, a.ID, a.Booking, a.Origin, a.External.System, a.External.Value, a.PatientID,
			jsonText(a.Cases), string(a.State), us(a.Start), us(a.End), a.Zone, a.Local, a.ZoneVersion, jsonText(spansJSON(a.Spans)),
			us(a.HoldUntil), a.IfNeeded, us(a.ReleaseTime), a.due(), t.sealed(a.Appointment), hash, us(t.now))
		if err != nil {
			return err
		}
		for _, c := range a.Cases {
			if _, err := t.exec(ctx, stmtAppointmentCasePut, t.call.Practice, a.ID, c.CaseID); err != nil {
				return err
			}
		}
	}
	return t.putSpans(ctx, spans)
}

func (t *tx) sealed(a Appointment) []byte {
	return t.s.sealAppointment(t.call.Practice, a.ID, sealedAppointment{a.Override, a.Document})
}

func (t *tx) putAppointmentsPostgres(ctx context.Context, list []fresh, spans []wanted) error {
	type row struct {
		ID          string `json:"id"`
		Booking     string `json:"booking"`
		Origin      string `json:"origin"`
		System      string `json:"system"`
		Value       string `json:"value"`
		Patient     string `json:"patient"`
		Cases       string `json:"cases"`
		State       string `json:"state"`
		From        int64  `json:"from"`
		To          int64  `json:"to"`
		Zone        string `json:"zone"`
		Local       string `json:"local"`
		ZoneVersion string `json:"zone_version"`
		Spans       string `json:"spans"`
		HoldUntil   int64  `json:"hold_until"`
		IfNeeded    bool   `json:"if_needed"`
		Release     int64  `json:"release"`
		Due         int64  `json:"due"`
		Sealed      []byte `json:"sealed"`
		Hash        []byte `json:"hash"`
	}
	if len(list)+len(spans) == 0 {
		return nil
	}
	rows := make([]row, len(list))
	caseOf, cases := []string{}, []string{}
	for i, a := range list {
		rows[i] = row{ID: a.ID, Booking: a.Booking, Origin: a.Origin, System: a.External.System, Value: a.External.Value, Patient: a.PatientID,
			Cases: jsonText(a.Cases), State: string(a.State), From: us(a.Start), To: us(a.End), Zone: a.Zone, Local: a.Local, ZoneVersion: a.ZoneVersion,
			Spans: jsonText(spansJSON(a.Spans)), HoldUntil: us(a.HoldUntil), IfNeeded: a.IfNeeded, Release: us(a.ReleaseTime), Due: a.due(),
			Sealed: t.sealed(a.Appointment), Hash: append([]byte{}, a.hash...)}
		for _, c := range a.Cases {
			caseOf, cases = append(caseOf, a.ID), append(cases, c.CaseID)
		}
	}
	args := []any{t.call.Practice, jsonText(rows), us(t.now), pq.StringArray(caseOf), pq.StringArray(cases)}
	_, err := t.exec(ctx, stmtAppointmentsPut, append(args, spanArrays(spans)...)...)
	return t.taken(ctx, err)
}

// updateAppointment writes all that may change of an appointment that was read
// at row's version and locked.
func (t *tx) updateAppointment(ctx context.Context, a *Appointment, row appointmentRow) error {
	n, err := t.exec(ctx, stmtAppointmentUpdate, t.call.Practice, a.ID, row.RowVersion, a.PatientID, string(a.State), us(a.Start), us(a.End),
		a.Zone, a.Local, a.ZoneVersion, jsonText(spansJSON(a.Spans)), us(a.HoldUntil), us(a.ReleaseTime), a.due(), a.Reason, a.LateMinutes,
		us(a.ArriveTime), us(a.ChairTime), us(a.LeaveTime), a.Sequence,
		t.sealed(*a), row.ContentHash, us(t.now))
	if err != nil {
		return t.taken(ctx, err)
	}
	if n == 0 {
		return stale("appointments/" + a.ID)
	}
	a.Etag, a.UpdateTime = etag(row.RowVersion+1), t.now
	return nil
}

// lockAppointment reads one appointment for change.
func (t *tx) lockAppointment(ctx context.Context, id, wantEtag string) (Appointment, appointmentRow, error) {
	var row appointmentRow
	if err := t.get(ctx, &row, stmtAppointmentLock, t.call.Practice, id); err != nil {
		if noRows(err) {
			err = notFound("appointments/" + id)
		}
		return Appointment{}, row, err
	}
	if wantEtag != "" && wantEtag != etag(row.RowVersion) {
		return Appointment{}, row, stale("appointments/" + id)
	}
	a, err := t.s.appointment(t.call.Practice, row)
	return a, row, err
}

// appointmentChanged leaves the lines of one changed appointment.
func (t *tx) appointmentChanged(kind string, a Appointment, fields ...string) {
	name := "appointments/" + a.ID
	if t.resource == "" {
		t.about(name, fields...)
	} else {
		t.alsoChanged(name, fields...)
	}
	t.changed("appointment."+kind, name, a.Etag)
}

// GetAppointment reads one appointment.
func (s *Store) GetAppointment(ctx context.Context, call Call, id string) (Appointment, error) {
	var out []Appointment
	var at time.Time
	err := s.view(ctx, call, func(q querier, now time.Time) error {
		at = now
		var row appointmentRow
		err := q.get(ctx, &row, stmtAppointmentGet, call.Practice, id)
		if noRows(err) {
			err = notFound("appointments/" + id)
		}
		if err != nil {
			return err
		}
		out, err = s.withConflicts(ctx, q, call.Practice, []appointmentRow{row})
		return err
	})
	if err != nil {
		return Appointment{}, err
	}
	return out[0], s.access.record(ctx, call, "appointments/"+id, at)
}

// GetBooking reads what was booked together.
func (s *Store) GetBooking(ctx context.Context, call Call, id string) (Booking, error) {
	b := Booking{ID: id}
	var at time.Time
	err := s.view(ctx, call, func(q querier, now time.Time) error {
		at = now
		var rows []appointmentRow
		err := q.list(ctx, &rows, stmtBookingGet, call.Practice, id)
		if err == nil && (len(rows) == 0 || id == "") {
			err = notFound("bookings/" + id)
		}
		if err != nil {
			return err
		}
		b.Appointments, err = s.withConflicts(ctx, q, call.Practice, rows)
		return err
	})
	if err != nil {
		return Booking{}, err
	}
	return b, s.access.record(ctx, call, "bookings/"+id, at)
}
