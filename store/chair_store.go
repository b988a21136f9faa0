package store

import (
	"bytes"
	"context"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"
)

const (
	chairVisitColumns = `case_id, visit, revision, option_id, planned, appointment, clinician, minutes, sealed, actor, create_us`
	chairMarkColumns  = `case_id, visit, seq, mark_id, kind, at_us, sealed, actor, create_us`
)

var (
	stmtChairVisitPut = writes("chair visit put", `
		INSERT INTO chair_visits (practice_id, `+chairVisitColumns+`) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12)`)
	stmtChairVisitGet = reads("chair visit get", `
		SELECT `+chairVisitColumns+` FROM chair_visits
		WHERE practice_id = ?1 AND case_id = ?2 AND (?3 = 0 OR visit = ?3) ORDER BY visit DESC LIMIT 1`)
	stmtChairVisitPage = reads("chair visit page", `
		SELECT `+chairVisitColumns+` FROM chair_visits
		WHERE practice_id = ?1 AND case_id = ?2 AND visit < ?3 ORDER BY visit DESC LIMIT ?4`)
	stmtChairVisitLast = reads("chair visit last", `
		SELECT coalesce(max(visit), 0) AS last,
			(SELECT count(*) FROM chair_marks m WHERE m.practice_id = ?1 AND m.case_id = ?2 AND m.kind = 'end') AS ended
		FROM chair_visits WHERE practice_id = ?1 AND case_id = ?2`)
	stmtChairMarkPut = writes("chair mark put", `
		INSERT INTO chair_marks (practice_id, `+chairMarkColumns+`) VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10)`)
	stmtChairMarks = reads("chair marks", `
		SELECT `+chairMarkColumns+` FROM chair_marks
		WHERE practice_id = ?1 AND case_id = ?2 AND visit BETWEEN ?3 AND ?4 ORDER BY visit, seq`)
	stmtChairEnded = reads("chair ended", `
		SELECT case_id, visit, at_us FROM chair_marks
		WHERE practice_id = ?1 AND kind = 'end' AND at_us >= ?2 AND at_us < ?3 AND (at_us > ?4 OR (at_us = ?4 AND case_id > ?5))
		ORDER BY at_us, case_id, visit LIMIT ?6`)
)

type chairVisitRow struct {
	CaseID      string `db:"case_id"`
	Visit       int    `db:"visit"`
	Revision    int    `db:"revision"`
	Option      string `db:"option_id"`
	Planned     int    `db:"planned"`
	Appointment string `db:"appointment"`
	Clinician   string `db:"clinician"`
	Minutes     int    `db:"minutes"`
	Sealed      []byte `db:"sealed"`
	Actor       string `db:"actor"`
	CreateUS    int64  `db:"create_us"`
}

type chairMarkRow struct {
	CaseID   string `db:"case_id"`
	Visit    int    `db:"visit"`
	Seq      int    `db:"seq"`
	MarkID   string `db:"mark_id"`
	Kind     string `db:"kind"`
	AtUS     int64  `db:"at_us"`
	Sealed   []byte `db:"sealed"`
	Actor    string `db:"actor"`
	CreateUS int64  `db:"create_us"`
}

func chairVisitRecord(caseID string, visit int) string {
	return "cases/" + caseID + "/visits/" + strconv.Itoa(visit)
}

func chairMarkRecord(caseID string, visit, seq int) string {
	return chairVisitRecord(caseID, visit) + "/marks/" + strconv.Itoa(seq)
}

func (s *Store) chairVisit(practice string, r chairVisitRow) (ChairVisit, error) {
	plain, err := s.keys.open(r.Sealed, practice, chairVisitRecord(r.CaseID, r.Visit))
	return ChairVisit{CaseID: r.CaseID, Number: r.Visit, Revision: r.Revision, Option: r.Option, Planned: r.Planned, Appointment: r.Appointment,
		Clinician: r.Clinician, Minutes: r.Minutes, Document: plain, Actor: r.Actor, CreateTime: fromUS(r.CreateUS)}, err
}

func (s *Store) chairMark(practice string, r chairMarkRow) (ChairMark, error) {
	plain, err := s.keys.open(r.Sealed, practice, chairMarkRecord(r.CaseID, r.Visit, r.Seq))
	return ChairMark{ID: r.MarkID, Kind: r.Kind, At: fromUS(r.AtUS), Document: plain, Actor: r.Actor, CreateTime: fromUS(r.CreateUS)}, err
}

// marksOf reads the marks of visits first to last of one case.
func (s *Store) marksOf(ctx context.Context, q querier, practice, caseID string, first, last int) (map[int][]ChairMark, error) {
	var rows []chairMarkRow
	if err := q.list(ctx, &rows, stmtChairMarks, practice, caseID, first, last); err != nil {
		return nil, err
	}
	out := map[int][]ChairMark{}
	for _, r := range rows {
		m, err := s.chairMark(practice, r)
		if err != nil {
			return nil, err
		}
		out[r.Visit] = append(out[r.Visit], m)
	}
	return out, nil
}

func checkMark(m ChairMark) error {
	switch {
	case m.ID == "" || len(m.ID) > 64 || !printable(m.ID):
		return invalid("id", "1 to 64 printable ASCII characters")
	case m.Kind == "" || len(m.Kind) > 40:
		return invalid("kind", "1 to 40 characters")
	case m.At.IsZero():
		return invalid("time", "when it happened")
	case len(m.Document) > MaxDocument:
		return invalid("document", "at most 1 MiB")
	}
	return nil
}

// BeginChairVisit keeps a visit with its first mark.
func (s *Store) BeginChairVisit(ctx context.Context, call Call, v NewChairVisit) (ChairVisit, error) {
	if err := checkMark(v.Begin); err != nil {
		return ChairVisit{}, err
	}
	if v.Begin.Kind != MarkBegin {
		return ChairVisit{}, invalid("begin.kind", MarkBegin)
	}
	if v.Minutes < 1 || v.Minutes > 960 {
		return ChairVisit{}, invalid("minutes", "1 to 960")
	}
	return write(ctx, s, call, func(t *tx) (ChairVisit, error) {
		c, row, err := t.openCase(ctx, v.CaseID)
		if err != nil {
			return ChairVisit{}, err
		}
		if v.Revision < 1 || v.Revision > c.Revision {
			return ChairVisit{}, notFound("cases/" + c.ID + "/revisions")
		}
		if err := t.clinicianThere(ctx, v.Clinician); err != nil {
			return ChairVisit{}, err
		}
		if err := t.appointmentOf(ctx, v.Appointment, c); err != nil {
			return ChairVisit{}, err
		}
		var last struct {
			Last  int `db:"last"`
			Ended int `db:"ended"`
		}
		if err := t.get(ctx, &last, stmtChairVisitLast, call.Practice, c.ID); err != nil {
			return ChairVisit{}, err
		}
		if last.Ended < last.Last {
			return ChairVisit{}, &Problem{Kind: ErrWrongState, Resource: chairVisitRecord(c.ID, last.Last), Field: "visit", Want: "the visit before ended"}
		}
		out := ChairVisit{CaseID: c.ID, Number: last.Last + 1, Revision: v.Revision, Option: v.Option, Planned: v.Planned, Appointment: v.Appointment,
			Clinician: v.Clinician, Minutes: v.Minutes, Document: v.Document, Actor: call.Actor, CreateTime: t.now}
		name := chairVisitRecord(c.ID, out.Number)
		if _, err := t.exec(ctx, stmtChairVisitPut, call.Practice, c.ID, out.Number, v.Revision, v.Option, v.Planned, v.Appointment, v.Clinician, v.Minutes,
			s.keys.seal(v.Document, call.Practice, name), call.Actor, us(t.now)); err != nil {
			return ChairVisit{}, err
		}
		if out.Marks, err = t.putMarks(ctx, c.ID, out.Number, 0, []ChairMark{v.Begin}); err != nil {
			return ChairVisit{}, err
		}
		c.State = CaseInTreatment
		if _, err = t.putCase(ctx, c, row); err != nil {
			return ChairVisit{}, err
		}
		t.about(name, "visit", "begin")
		t.changed("visit.begun", name, "")
		return out, nil
	})
}

// appointmentOf refuses an appointment that is not there, for another case or of
// another patient.
func (t *tx) appointmentOf(ctx context.Context, id string, c Case) error {
	if id == "" {
		return nil
	}
	var row appointmentRow
	err := t.get(ctx, &row, stmtAppointmentGet, t.call.Practice, id)
	if noRows(err) {
		return notFound("appointments/" + id)
	}
	if err != nil {
		return err
	}
	a, err := t.s.appointment(t.call.Practice, row)
	if err != nil {
		return err
	}
	if len(a.Cases) > 0 && !slices.ContainsFunc(a.Cases, func(v VisitOf) bool { return v.CaseID == c.ID }) {
		return invalid("appointment", "an appointment of this case")
	}
	if a.PatientID != "" && a.PatientID != c.PatientID {
		return invalid("appointment", "an appointment of this patient")
	}
	return nil
}

func (t *tx) putMarks(ctx context.Context, caseID string, visit, after int, marks []ChairMark) ([]ChairMark, error) {
	out := make([]ChairMark, len(marks))
	for i, m := range marks {
		seq := after + i + 1
		m.Actor, m.CreateTime, m.At = t.call.Actor, t.now, fromUS(us(m.At))
		if _, err := t.exec(ctx, stmtChairMarkPut, t.call.Practice, caseID, visit, seq, m.ID, m.Kind, us(m.At),
			t.s.keys.seal(m.Document, t.call.Practice, chairMarkRecord(caseID, visit, seq)), m.Actor, us(t.now)); err != nil {
			return nil, err
		}
		out[i] = m
	}
	return out, nil
}

// AddChairMarks keeps entries of a visit.
func (s *Store) AddChairMarks(ctx context.Context, call Call, add NewChairMarks) (ChairAdded, error) {
	for _, m := range add.Marks {
		if err := checkMark(m); err != nil {
			return ChairAdded{}, err
		}
	}
	if add.Close != nil && !validClosing(add.Close.Reason) {
		return ChairAdded{}, invalid("reason", "healed_discharged, extracted, declined, transferred, lost or died")
	}
	return write(ctx, s, call, func(t *tx) (ChairAdded, error) {
		// The case is locked first: what is numbered below it has no gaps.
		row, err := t.caseRow(ctx, add.CaseID)
		if err != nil {
			return ChairAdded{}, err
		}
		name := chairVisitRecord(add.CaseID, add.Visit)
		var visit chairVisitRow
		err = t.get(ctx, &visit, stmtChairVisitGet, call.Practice, add.CaseID, add.Visit)
		if noRows(err) || add.Visit < 1 {
			err = notFound(name)
		}
		if err != nil {
			return ChairAdded{}, err
		}
		kept, err := s.marksOf(ctx, t, call.Practice, add.CaseID, add.Visit, add.Visit)
		if err != nil {
			return ChairAdded{}, err
		}
		have := kept[add.Visit]
		fresh, err := freshMarks(name, have, add.Marks)
		if err != nil {
			return ChairAdded{}, err
		}
		out := ChairAdded{Count: len(have) + len(fresh)}
		switch {
		case len(fresh) == 0:
			t.silent = true
			return out, nil
		case len(have) != add.Base:
			return ChairAdded{}, stale(name)
		case out.Count > MaxChairMarks:
			return ChairAdded{}, wrongState(name, fmt.Sprintf("a visit of at most %d entries", MaxChairMarks))
		}
		if _, err := t.putMarks(ctx, add.CaseID, add.Visit, len(have), fresh); err != nil {
			return ChairAdded{}, err
		}
		if err := t.putObservation(ctx, add.Observation); err != nil {
			return ChairAdded{}, err
		}
		var kinds []string
		for _, m := range fresh {
			if !slices.Contains(kinds, m.Kind) {
				kinds = append(kinds, m.Kind)
			}
		}
		t.about(name, kinds...)
		t.changed("visit.marked", name, strconv.Itoa(out.Count))
		out.Cancelled, err = t.afterMarks(ctx, row, add)
		return out, err
	})
}

// freshMarks are those that are not kept yet. An id that stands for another
// entry is refused.
func freshMarks(name string, have, marks []ChairMark) ([]ChairMark, error) {
	var fresh []ChairMark
	for _, m := range marks {
		i := slices.IndexFunc(have, func(h ChairMark) bool { return h.ID == m.ID })
		switch {
		case i < 0 && slices.ContainsFunc(fresh, func(f ChairMark) bool { return f.ID == m.ID }):
			return nil, &Problem{Kind: ErrRequestIDReused, Resource: name, Field: "id", Want: "an id of its own for each entry"}
		case i < 0:
			fresh = append(fresh, m)
		case have[i].Kind != m.Kind || !bytes.Equal(have[i].Document, m.Document):
			return nil, &Problem{Kind: ErrRequestIDReused, Resource: name, Field: "id", Want: "a new id for a new entry"}
		}
	}
	return fresh, nil
}

// afterMarks does to the case what the entries mean for it.
func (t *tx) afterMarks(ctx context.Context, row caseRow, add NewChairMarks) (cancelled []string, err error) {
	if add.Close == nil && add.CaseState == "" && !add.CancelBookings {
		return nil, nil
	}
	if row.State == string(CaseClosed) {
		return nil, wrongState("cases/"+add.CaseID, "an open case; this one is closed")
	}
	c, err := t.s.caseOf(t.call.Practice, row)
	if err != nil {
		return nil, err
	}
	kind := "case.changed"
	if add.CaseState != "" {
		c.State = add.CaseState
	}
	fields := []string{"state"}
	if add.Close != nil {
		c.State, c.ClosingReason, c.CloseTime = CaseClosed, add.Close.Reason, t.now
		c.ClosingNote, c.ClosedOn = add.Close.Note, add.Close.On
		kind, fields = "case.closed", append(fields, "closing_reason", "closing_note", "close_time")
	}
	if c, err = t.putCase(ctx, c, row); err != nil {
		return nil, err
	}
	t.alsoChanged("cases/"+c.ID, fields...)
	t.changed(kind, "cases/"+c.ID, c.Etag)
	if add.Close != nil || add.CancelBookings {
		return t.cancelOfCase(ctx, c.ID, c.ClosingReason)
	}
	return nil, nil
}

// GetChairVisit reads a visit with its marks.
func (s *Store) GetChairVisit(ctx context.Context, call Call, caseID string, visit int) (ChairVisit, error) {
	var out ChairVisit
	var at time.Time
	err := s.view(ctx, call, func(q querier, now time.Time) error {
		at = now
		var row chairVisitRow
		err := q.get(ctx, &row, stmtChairVisitGet, call.Practice, caseID, visit)
		if noRows(err) {
			err = notFound("cases/" + caseID)
		}
		if err != nil {
			return err
		}
		if out, err = s.chairVisit(call.Practice, row); err != nil {
			return err
		}
		marks, err := s.marksOf(ctx, q, call.Practice, caseID, row.Visit, row.Visit)
		out.Marks = marks[row.Visit]
		return err
	})
	if err != nil {
		return ChairVisit{}, err
	}
	return out, s.access.record(ctx, call, chairVisitRecord(caseID, out.Number), at)
}

// ListChairVisits returns a page of a case's visits, the newest first.
func (s *Store) ListChairVisits(ctx context.Context, call Call, caseID string, page Page) ([]ChairVisit, string, error) {
	before, err := page.before()
	if err != nil {
		return nil, "", err
	}
	size := page.Most()
	var out []ChairVisit
	next := ""
	var at time.Time
	err = s.view(ctx, call, func(q querier, now time.Time) error {
		at = now
		var rows []chairVisitRow
		if err := q.list(ctx, &rows, stmtChairVisitPage, call.Practice, caseID, before, size+1); err != nil {
			return err
		}
		if len(rows) > size {
			rows = rows[:size]
			next = strconv.Itoa(rows[size-1].Visit)
		}
		if len(rows) == 0 {
			return nil
		}
		marks, err := s.marksOf(ctx, q, call.Practice, caseID, rows[len(rows)-1].Visit, rows[0].Visit)
		if err != nil {
			return err
		}
		for _, r := range rows {
			v, err := s.chairVisit(call.Practice, r)
			if err != nil {
				return err
			}
			v.Marks = marks[v.Number]
			out = append(out, v)
		}
		return nil
	})
	if err != nil {
		return nil, "", err
	}
	return out, next, s.access.record(ctx, call, "cases/"+caseID+"/visits", at)
}

// ListEndedVisits returns the practice's visits that ended in [from, to).
func (s *Store) ListEndedVisits(ctx context.Context, call Call, from, to time.Time, after string) ([]ChairVisit, string, error) {
	if !from.Before(to) {
		return nil, "", invalid("to", "after from")
	}
	afterUS, afterCase := int64(-1<<62), ""
	if after != "" {
		text, id, _ := strings.Cut(after, ".")
		n, err := strconv.ParseInt(text, 10, 64)
		if err != nil || !validID(id) {
			return nil, "", invalid("page", "the cursor of the page before")
		}
		afterUS, afterCase = n, id
	}
	var out []ChairVisit
	next := ""
	var at time.Time
	err := s.view(ctx, call, func(q querier, now time.Time) error {
		at = now
		var ended []struct {
			CaseID string `db:"case_id"`
			Visit  int    `db:"visit"`
			AtUS   int64  `db:"at_us"`
		}
		if err := q.list(ctx, &ended, stmtChairEnded, call.Practice, us(from), us(to), afterUS, afterCase, MaxPageSize+1); err != nil {
			return err
		}
		if len(ended) > MaxPageSize {
			ended = ended[:MaxPageSize]
			last := ended[len(ended)-1]
			next = strconv.FormatInt(last.AtUS, 10) + "." + last.CaseID
		}
		for _, e := range ended {
			var row chairVisitRow
			if err := q.get(ctx, &row, stmtChairVisitGet, call.Practice, e.CaseID, e.Visit); err != nil {
				return err
			}
			v, err := s.chairVisit(call.Practice, row)
			if err != nil {
				return err
			}
			marks, err := s.marksOf(ctx, q, call.Practice, e.CaseID, e.Visit, e.Visit)
			if err != nil {
				return err
			}
			v.Marks = marks[e.Visit]
			out = append(out, v)
		}
		return nil
	})
	if err != nil {
		return nil, "", err
	}
	return out, next, s.access.record(ctx, call, "visits", at)
}
