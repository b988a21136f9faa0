package store

import (
	"context"
	"encoding/json"
	"time"
)

const caseColumns = `id, patient_id, tooth, clinician, state, protocol, diagnosis, root_development, closing_reason, close_us, sealed, external_ids, revision, assessment, row_version, create_us, update_us`

var (
	stmtCaseGet  = reads("case get", `SELECT `+caseColumns+` FROM cases WHERE practice_id = ?1 AND id = ?2`)
	stmtCaseLock = differs("case lock", `
		SELECT `+caseColumns+` FROM cases WHERE practice_id = ?1 AND id = ?2`, `
		SELECT `+caseColumns+` FROM cases WHERE practice_id = ?1 AND id = ?2 FOR NO KEY UPDATE`, true)
	stmtCasePut = writes("case put", `
		INSERT INTO cases (practice_id, `+caseColumns+`)
		VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, '', 0, ?10, ?11, 0, 0, 1, ?12, ?12)`)
	stmtCaseUpdate = writes("case update", `
		UPDATE cases SET tooth = ?4, clinician = ?5, state = ?6, protocol = ?7, diagnosis = ?8, root_development = ?9,
			closing_reason = ?10, close_us = ?11, sealed = ?12, external_ids = ?13, revision = ?14, assessment = ?15,
			row_version = row_version + 1, update_us = ?16
		WHERE practice_id = ?1 AND id = ?2 AND row_version = ?3`)
	stmtCasePage = reads("case page", `
		SELECT `+caseColumns+` FROM cases
		WHERE practice_id = ?1 AND id < ?2 AND (?3 = 0 OR state <> 'closed') ORDER BY id DESC LIMIT ?4`)
	stmtCasePageOf = reads("case page of patient", `
		SELECT `+caseColumns+` FROM cases
		WHERE practice_id = ?1 AND patient_id = ?5 AND id < ?2 AND (?3 = 0 OR state <> 'closed') ORDER BY id DESC LIMIT ?4`)
	stmtCasesByID = differs("cases by id", `
		SELECT `+caseColumns+` FROM cases
		WHERE practice_id = ?1 AND id IN (SELECT value FROM json_each(?5)) AND id < ?2 AND (?3 = 0 OR state <> 'closed')
			AND (?6 = '' OR patient_id = ?6) ORDER BY id DESC LIMIT ?4`, `
		SELECT `+caseColumns+` FROM cases
		WHERE practice_id = ?1 AND id = ANY (?5::text[]) AND id < ?2 AND (?3 = 0 OR state <> 'closed')
			AND (?6 = '' OR patient_id = ?6) ORDER BY id DESC LIMIT ?4`, false)
	stmtPatientThere = reads("patient there", `SELECT id FROM patients WHERE practice_id = ?1 AND id = ?2`)
)

type caseRow struct {
	ID              string `db:"id"`
	PatientID       string `db:"patient_id"`
	Tooth           int    `db:"tooth"`
	Clinician       string `db:"clinician"`
	State           string `db:"state"`
	Protocol        string `db:"protocol"`
	Diagnosis       string `db:"diagnosis"`
	RootDevelopment string `db:"root_development"`
	ClosingReason   string `db:"closing_reason"`
	CloseUS         int64  `db:"close_us"`
	Sealed          []byte `db:"sealed"`
	ExternalIDs     string `db:"external_ids"`
	Revision        int    `db:"revision"`
	Assessment      int    `db:"assessment"`
	RowVersion      int64  `db:"row_version"`
	CreateUS        int64  `db:"create_us"`
	UpdateUS        int64  `db:"update_us"`
}

// sealedCase is what lies sealed in a case's row: free text may name a person.
type sealedCase struct {
	Referral       *Referral       `json:"referral,omitempty"`
	BegunElsewhere *BegunElsewhere `json:"begun_elsewhere,omitempty"`
	ClosingNote    string          `json:"closing_note,omitempty"`
	ClosedOn       string          `json:"closed_on,omitempty"`
	Document       []byte          `json:"document,omitempty"`
}

func (s *Store) caseOf(practice string, r caseRow) (Case, error) {
	plain, err := s.keys.open(r.Sealed, practice, "cases/"+r.ID)
	if err != nil {
		return Case{}, err
	}
	var inner sealedCase
	if err := json.Unmarshal(plain, &inner); err != nil {
		return Case{}, &Problem{Kind: ErrSealed, Resource: "cases/" + r.ID, cause: err}
	}
	return Case{ID: r.ID, PatientID: r.PatientID, Tooth: r.Tooth, Clinician: r.Clinician, State: CaseState(r.State),
		Protocol: r.Protocol, Diagnosis: r.Diagnosis, RootDevelopment: r.RootDevelopment,
		ClosingReason: ClosingReason(r.ClosingReason), CloseTime: fromUS(r.CloseUS),
		Referral: inner.Referral, BegunElsewhere: inner.BegunElsewhere, ClosingNote: inner.ClosingNote, ClosedOn: inner.ClosedOn, Document: inner.Document,
		ExternalIDs: fromJSON[[]ExternalID](r.ExternalIDs), Revision: r.Revision, Assessment: r.Assessment,
		Etag: etag(r.RowVersion), CreateTime: fromUS(r.CreateUS), UpdateTime: fromUS(r.UpdateUS)}, nil
}

func (s *Store) sealCase(practice string, c Case) []byte {
	plain, _ := json.Marshal(sealedCase{c.Referral, c.BegunElsewhere, c.ClosingNote, c.ClosedOn, c.Document}) // strings and bytes always marshal
	return s.keys.seal(plain, practice, "cases/"+c.ID)
}

func checkCase(c Case) error {
	if c.Tooth != 0 && (c.Tooth/10 < 1 || c.Tooth/10 > 4 || c.Tooth%10 < 1 || c.Tooth%10 > 8) {
		return invalid("tooth", "an ISO 3950 code of a permanent tooth, 11 to 48, or 0 when not yet identified")
	}
	switch c.State {
	case CaseReferred, CaseAssessed, CasePlanned, CaseInTreatment, CaseFilled, CaseInReview:
	case CaseClosed:
		return invalid("state", "an open state: a case is closed with its reason")
	default:
		return invalid("state", "one of the states of a case")
	}
	for _, f := range []struct{ name, value string }{{"protocol", c.Protocol}, {"diagnosis", c.Diagnosis},
		{"root_development", c.RootDevelopment}, {"clinician", c.Clinician}} {
		if len(f.value) > 64 {
			return invalid(f.name, "a catalogue id of at most 64 bytes")
		}
	}
	if len(c.Document) > MaxDocument {
		return invalid("document", "at most 1 MiB")
	}
	return checkExternalIDs(c.ExternalIDs)
}

// CreateCase opens a case. An empty state means CaseReferred.
func (s *Store) CreateCase(ctx context.Context, call Call, c Case) (Case, error) {
	if c.State == "" {
		c.State = CaseReferred
	}
	if err := checkCase(c); err != nil {
		return Case{}, err
	}
	return write(ctx, s, call, func(t *tx) (Case, error) {
		if err := t.patientThere(ctx, c.PatientID); err != nil {
			return Case{}, err
		}
		if err := t.clinicianThere(ctx, c.Clinician); err != nil {
			return Case{}, err
		}
		out := c
		out.ID, out.Revision, out.Assessment = newID(t.now), 0, 0
		out.ClosingReason, out.ClosingNote, out.CloseTime = "", "", time.Time{}
		_, err := t.exec(ctx, stmtCasePut, call.Practice, out.ID, c.PatientID, c.Tooth, c.Clinician, string(c.State), c.Protocol,
			c.Diagnosis, c.RootDevelopment, s.sealCase(call.Practice, out), jsonText(c.ExternalIDs), us(t.now))
		if err != nil {
			return Case{}, err
		}
		if err := t.putExternalIDs(ctx, externalCase, out.ID, nil, c.ExternalIDs); err != nil {
			return Case{}, err
		}
		out.Etag, out.CreateTime, out.UpdateTime = etag(1), t.now, t.now
		t.about("cases/"+out.ID, "patient", "tooth", "clinician", "state", "protocol", "diagnosis", "root_development",
			"referral", "begun_elsewhere", "document", "external_ids")
		t.changed("case.created", "cases/"+out.ID, out.Etag)
		return out, nil
	})
}

func (t *tx) patientThere(ctx context.Context, id string) error {
	var got string
	err := t.get(ctx, &got, stmtPatientThere, t.call.Practice, id)
	if noRows(err) {
		err = notFound("patients/" + id)
	}
	return err
}

func (t *tx) clinicianThere(ctx context.Context, id string) error {
	if id == "" {
		return nil
	}
	_, err := t.clinician(ctx, id)
	return err
}

// openCase reads a case that may still change and locks it, so that what is
// numbered by the case has no gaps.
func (t *tx) openCase(ctx context.Context, id string) (Case, caseRow, error) {
	row, err := t.caseRow(ctx, id)
	if err != nil {
		return Case{}, row, err
	}
	if row.State == string(CaseClosed) {
		return Case{}, row, wrongState("cases/"+id, "an open case; this one is closed")
	}
	c, err := t.s.caseOf(t.call.Practice, row)
	return c, row, err
}

func (t *tx) caseRow(ctx context.Context, id string) (row caseRow, err error) {
	err = t.get(ctx, &row, stmtCaseLock, t.call.Practice, id)
	if noRows(err) {
		err = notFound("cases/" + id)
	}
	return row, err
}

// putCase writes all that may change of a case that was read at row's version.
func (t *tx) putCase(ctx context.Context, c Case, row caseRow) (Case, error) {
	n, err := t.exec(ctx, stmtCaseUpdate, t.call.Practice, c.ID, row.RowVersion, c.Tooth, c.Clinician, string(c.State), c.Protocol,
		c.Diagnosis, c.RootDevelopment, string(c.ClosingReason), us(c.CloseTime), t.s.sealCase(t.call.Practice, c),
		jsonText(c.ExternalIDs), c.Revision, c.Assessment, us(t.now))
	if err != nil {
		return Case{}, err
	}
	if n == 0 { // another writer was between our read and our write
		return Case{}, stale("cases/" + c.ID)
	}
	c.Etag, c.UpdateTime = etag(row.RowVersion+1), t.now
	return c, nil
}

// UpdateCase changes the fields that are set.
func (s *Store) UpdateCase(ctx context.Context, call Call, change CaseUpdate) (Case, error) {
	return write(ctx, s, call, func(t *tx) (Case, error) {
		c, row, err := t.openCase(ctx, change.ID)
		if err != nil {
			return Case{}, err
		}
		if change.Etag != c.Etag {
			return Case{}, stale("cases/" + c.ID)
		}
		before := c.ExternalIDs
		var fields []string
		set(&c.Tooth, change.Tooth, "tooth", &fields)
		set(&c.Clinician, change.Clinician, "clinician", &fields)
		set(&c.State, change.State, "state", &fields)
		set(&c.Protocol, change.Protocol, "protocol", &fields)
		set(&c.Diagnosis, change.Diagnosis, "diagnosis", &fields)
		set(&c.RootDevelopment, change.RootDevelopment, "root_development", &fields)
		set(&c.Referral, change.Referral, "referral", &fields)
		set(&c.BegunElsewhere, change.BegunElsewhere, "begun_elsewhere", &fields)
		set(&c.Document, change.Document, "document", &fields)
		set(&c.ExternalIDs, change.ExternalIDs, "external_ids", &fields)
		if err := checkCase(c); err != nil {
			return Case{}, err
		}
		if change.Clinician != nil {
			if err := t.clinicianThere(ctx, c.Clinician); err != nil {
				return Case{}, err
			}
		}
		if c, err = t.putCase(ctx, c, row); err != nil {
			return Case{}, err
		}
		if err := t.putExternalIDs(ctx, externalCase, c.ID, before, c.ExternalIDs); err != nil {
			return Case{}, err
		}
		t.about("cases/"+c.ID, fields...)
		t.changed("case.changed", "cases/"+c.ID, c.Etag)
		return c, nil
	})
}

func validClosing(r ClosingReason) bool {
	switch r {
	case ClosedHealed, ClosedExtracted, ClosedDeclined, ClosedTransferred, ClosedLost, ClosedDied:
		return true
	}
	return false
}

// CloseCase ends a case and cancels its bookings that have not begun.
func (s *Store) CloseCase(ctx context.Context, call Call, closing CaseClosing) (ClosedCase, error) {
	if !validClosing(closing.Reason) {
		return ClosedCase{}, invalid("reason", "healed_discharged, extracted, declined, transferred, lost or died")
	}
	return write(ctx, s, call, func(t *tx) (ClosedCase, error) {
		c, row, err := t.openCase(ctx, closing.ID)
		if err != nil {
			return ClosedCase{}, err
		}
		if closing.Etag != "" && closing.Etag != c.Etag {
			return ClosedCase{}, stale("cases/" + c.ID)
		}
		c.State, c.ClosingReason, c.CloseTime = CaseClosed, closing.Reason, t.now
		c.ClosingNote, c.ClosedOn = closing.Note, closing.On
		if c, err = t.putCase(ctx, c, row); err != nil {
			return ClosedCase{}, err
		}
		t.about("cases/"+c.ID, "state", "closing_reason", "closing_note", "close_time")
		t.changed("case.closed", "cases/"+c.ID, c.Etag)
		cancelled, err := t.cancelOfCase(ctx, c.ID, c.ClosingReason)
		return ClosedCase{Case: c, Cancelled: cancelled}, err
	})
}

// GetCase reads one case and leaves an entry in the audit trail.
func (s *Store) GetCase(ctx context.Context, call Call, id string) (Case, error) {
	var row caseRow
	var at time.Time
	err := s.glance(ctx, call, func(q querier, now time.Time) error {
		at = now
		err := q.get(ctx, &row, stmtCaseGet, call.Practice, id)
		if noRows(err) {
			err = notFound("cases/" + id)
		}
		return err
	})
	if err != nil {
		return Case{}, err
	}
	c, err := s.caseOf(call.Practice, row)
	if err != nil {
		return Case{}, err
	}
	return c, s.access.record(ctx, call, "cases/"+id, at)
}

// caseByExternal finds the one case with a name in another system, if the rest
// of the query lets it pass.
func caseByExternal(ctx context.Context, r querier, practice string, q CaseQuery, before string, into *[]caseRow) error {
	var id string
	err := r.get(ctx, &id, stmtExternalFind, practice, externalCase, q.External.System, q.External.Value)
	if noRows(err) || err == nil && id >= before {
		return nil
	}
	if err != nil {
		return err
	}
	var row caseRow
	if err := r.get(ctx, &row, stmtCaseGet, practice, id); err != nil {
		return err
	}
	if (q.PatientID == "" || row.PatientID == q.PatientID) && (!q.OpenOnly || row.State != string(CaseClosed)) {
		*into = append(*into, row)
	}
	return nil
}

// ListCases returns a page, newest first, and the cursor of the next.
func (s *Store) ListCases(ctx context.Context, call Call, q CaseQuery) ([]Case, string, error) {
	before := q.Page.After
	if before == "" {
		before = lastKey
	} else if !validID(before) {
		return nil, "", invalid("page", "the cursor of the page before")
	}
	openOnly := 0
	if q.OpenOnly {
		openOnly = 1
	}
	size := q.Page.Most()
	var rows []caseRow
	var at time.Time
	look := s.glance
	if q.External != (ExternalID{}) { // two statements of one snapshot
		look = s.view
	}
	err := look(ctx, call, func(r querier, now time.Time) error {
		at = now
		if q.External != (ExternalID{}) {
			return caseByExternal(ctx, r, call.Practice, q, before, &rows)
		}
		if len(q.IDs) > 0 {
			return r.list(ctx, &rows, stmtCasesByID, call.Practice, before, openOnly, size+1, s.textList(q.IDs), q.PatientID)
		}
		if q.PatientID != "" {
			return r.list(ctx, &rows, stmtCasePageOf, call.Practice, before, openOnly, size+1, q.PatientID)
		}
		return r.list(ctx, &rows, stmtCasePage, call.Practice, before, openOnly, size+1)
	})
	if err != nil {
		return nil, "", err
	}
	next := ""
	if len(rows) > size {
		rows = rows[:size]
		next = rows[size-1].ID
	}
	out := make([]Case, len(rows))
	for i, row := range rows {
		if out[i], err = s.caseOf(call.Practice, row); err != nil {
			return nil, "", err
		}
		if err = s.access.record(ctx, call, "cases/"+row.ID, at); err != nil {
			return nil, "", err
		}
	}
	return out, next, nil
}
