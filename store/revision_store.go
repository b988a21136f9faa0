package store

import (
	"context"
	"encoding/json"
	"strconv"
	"time"
)

const revisionColumns = `revision, assessment, cause, recommended, model_version, data_version, calibration_version, actor, create_us`

var (
	stmtRevisionPut = writes("revision put", `
		INSERT INTO plan_revisions (practice_id, case_id, sealed, `+revisionColumns+`)
		VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11, ?12)`)
	stmtRevisionGet = reads("revision get", `
		SELECT sealed, `+revisionColumns+` FROM plan_revisions
		WHERE practice_id = ?1 AND case_id = ?2 AND (?3 = 0 OR revision = ?3) ORDER BY revision DESC LIMIT 1`)
	stmtRevisionPage = reads("revision page", `
		SELECT `+revisionColumns+` FROM plan_revisions
		WHERE practice_id = ?1 AND case_id = ?2 AND revision < ?3 ORDER BY revision DESC LIMIT ?4`)
	stmtVisitPut = writes("planned visit put", `
		INSERT INTO planned_visits (practice_id, case_id, revision, option_id, visit, minutes, earliest_days, target_days, latest_days, if_needed, need_permille)
		VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9, ?10, ?11)`)
	stmtVisitsOf = reads("planned visits of", `
		SELECT revision, option_id, visit, minutes, earliest_days, target_days, latest_days, if_needed, need_permille
		FROM planned_visits WHERE practice_id = ?1 AND case_id = ?2 AND revision BETWEEN ?3 AND ?4
		ORDER BY revision, option_id, visit`)
	stmtAcceptancePut = writes("acceptance put", `
		INSERT INTO acceptances (practice_id, case_id, seq, revision, option_id, clinician, sealed, actor, create_us)
		VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8, ?9)`)
	stmtAcceptanceLast = reads("acceptance last", `
		SELECT coalesce(max(seq), 0) FROM acceptances WHERE practice_id = ?1 AND case_id = ?2`)
	stmtAcceptancesOf = reads("acceptances of", `
		SELECT seq, revision, option_id, clinician, sealed, actor, create_us
		FROM acceptances WHERE practice_id = ?1 AND case_id = ?2 AND revision BETWEEN ?3 AND ?4 ORDER BY seq`)
	stmtOptionThere = reads("option there", `
		SELECT count(*) FROM planned_visits WHERE practice_id = ?1 AND case_id = ?2 AND revision = ?3 AND option_id = ?4`)
)

type revisionRow struct {
	Sealed             []byte `db:"sealed"`
	Revision           int    `db:"revision"`
	Assessment         int    `db:"assessment"`
	Cause              string `db:"cause"`
	Recommended        string `db:"recommended"`
	ModelVersion       string `db:"model_version"`
	DataVersion        string `db:"data_version"`
	CalibrationVersion string `db:"calibration_version"`
	Actor              string `db:"actor"`
	CreateUS           int64  `db:"create_us"`
}

func (r revisionRow) record(caseID string) PlanRevision {
	return PlanRevision{CaseID: caseID, Revision: r.Revision, AssessmentVersion: r.Assessment, Cause: r.Cause,
		Recommended: r.Recommended, ModelVersion: r.ModelVersion, DataVersion: r.DataVersion,
		CalibrationVersion: r.CalibrationVersion, Actor: r.Actor, CreateTime: fromUS(r.CreateUS)}
}

type visitRow struct {
	Revision     int    `db:"revision"`
	Option       string `db:"option_id"`
	Visit        int    `db:"visit"`
	Minutes      int    `db:"minutes"`
	EarliestDays *int   `db:"earliest_days"`
	TargetDays   *int   `db:"target_days"`
	LatestDays   *int   `db:"latest_days"`
	IfNeeded     bool   `db:"if_needed"`
	NeedPermille int    `db:"need_permille"`
}

type acceptanceRow struct {
	Seq       int    `db:"seq"`
	Revision  int    `db:"revision"`
	Option    string `db:"option_id"`
	Clinician string `db:"clinician"`
	Sealed    []byte `db:"sealed"`
	Actor     string `db:"actor"`
	CreateUS  int64  `db:"create_us"`
}

func revisionRecord(caseID string, revision int) string {
	return "cases/" + caseID + "/revisions/" + strconv.Itoa(revision)
}

// sealedAcceptance is what is encrypted of an acceptance: the consent as it was
// written before there was more, and what is said against the option.
type sealedAcceptance struct {
	Consent
	Against string `json:"against,omitempty"`
}

func acceptanceRecord(caseID string, seq int) string {
	return "cases/" + caseID + "/acceptances/" + strconv.Itoa(seq)
}

func checkRevision(r NewPlanRevision) error {
	switch {
	case len(r.Document) == 0 || len(r.Document) > MaxDocument:
		return invalid("document", "the plan, at most 1 MiB")
	case len(r.Visits) > 256:
		return invalid("visits", "at most 256 in all options")
	case len(r.Recommended) > 64 || len(r.Cause) > 64:
		return invalid("recommended", "ids of at most 64 bytes")
	}
	seen := map[PlannedVisit]bool{}
	for _, v := range r.Visits {
		key := PlannedVisit{Option: v.Option, Visit: v.Visit}
		switch {
		case v.Option == "" || len(v.Option) > 64:
			return invalid("visits.option", "an id of 1 to 64 bytes")
		case v.Visit < 1 || v.Visit > 16:
			return invalid("visits.visit", "1 to 16")
		case seen[key]:
			return invalid("visits.visit", "each visit of an option once")
		case v.Minutes < 1 || v.Minutes > 960:
			return invalid("visits.minutes", "1 to 960")
		case v.NeedPermille < 0 || v.NeedPermille > 1000:
			return invalid("visits.need_permille", "0 to 1000")
		case v.EarliestDays != nil && v.LatestDays != nil && *v.EarliestDays > *v.LatestDays:
			return invalid("visits.latest_days", "not before earliest_days")
		}
		seen[key] = true
	}
	return nil
}

// SavePlanRevision keeps the next revision of a case's plan.
func (s *Store) SavePlanRevision(ctx context.Context, call Call, r NewPlanRevision) (PlanRevision, error) {
	if err := checkRevision(r); err != nil {
		return PlanRevision{}, err
	}
	saved, err := write(ctx, s, call, func(t *tx) (PlanRevision, error) {
		c, row, err := t.openCase(ctx, r.CaseID)
		if err != nil {
			return PlanRevision{}, err
		}
		if r.Base != c.Revision {
			return PlanRevision{}, stale("cases/" + c.ID + "/revisions")
		}
		if r.AssessmentVersion < 0 || r.AssessmentVersion > c.Assessment {
			return PlanRevision{}, invalid("assessment_version", "a version that exists, or 0")
		}
		c.Revision++
		if c, err = t.putCase(ctx, c, row); err != nil {
			return PlanRevision{}, err
		}
		name := revisionRecord(c.ID, c.Revision)
		if _, err = t.exec(ctx, stmtRevisionPut, call.Practice, c.ID, s.keys.seal(r.Document, call.Practice, name), c.Revision,
			r.AssessmentVersion, r.Cause, r.Recommended, r.ModelVersion, r.DataVersion, r.CalibrationVersion, call.Actor, us(t.now)); err != nil {
			return PlanRevision{}, err
		}
		for _, v := range r.Visits {
			if _, err = t.exec(ctx, stmtVisitPut, call.Practice, c.ID, c.Revision, v.Option, v.Visit, v.Minutes,
				v.EarliestDays, v.TargetDays, v.LatestDays, v.IfNeeded, v.NeedPermille); err != nil {
				return PlanRevision{}, err
			}
		}
		if _, err = t.exec(ctx, stmtCareNow, call.Practice, c.ID); err != nil { // what is booked may not fit it
			return PlanRevision{}, err
		}
		if r.Passed != nil {
			first, err := t.passed(ctx, *r.Passed, c.Revision, "")
			if err != nil {
				return PlanRevision{}, err
			}
			if !first {
				return PlanRevision{}, &Problem{Kind: ErrExists, Resource: name}
			}
		}
		t.about(name, "plan")
		t.changed("plan.revised", name, "")
		// Neither document nor visits are kept a second time for a retry.
		return PlanRevision{CaseID: c.ID, Revision: c.Revision, AssessmentVersion: r.AssessmentVersion, Cause: r.Cause,
			Recommended: r.Recommended, ModelVersion: r.ModelVersion, DataVersion: r.DataVersion,
			CalibrationVersion: r.CalibrationVersion, Actor: call.Actor, CreateTime: t.now}, nil
	})
	saved.Document, saved.Visits = r.Document, r.Visits // a replay has the same request
	return saved, err
}

// GetPlanRevision returns one revision; 0 means the latest.
func (s *Store) GetPlanRevision(ctx context.Context, call Call, caseID string, revision int) (PlanRevision, error) {
	var out PlanRevision
	var at time.Time
	err := s.view(ctx, call, func(q querier, now time.Time) error {
		at = now
		var row revisionRow
		if err := q.get(ctx, &row, stmtRevisionGet, call.Practice, caseID, revision); err != nil {
			if noRows(err) {
				err = notFound("cases/" + caseID)
			}
			return err
		}
		out = row.record(caseID)
		var err error
		if out.Document, err = s.keys.open(row.Sealed, call.Practice, revisionRecord(caseID, row.Revision)); err != nil {
			return err
		}
		one := []PlanRevision{out}
		err = s.addToRevisions(ctx, q, call.Practice, caseID, one)
		out = one[0]
		return err
	})
	if err != nil {
		return PlanRevision{}, err
	}
	return out, s.access.record(ctx, call, revisionRecord(caseID, out.Revision), at)
}

// ListPlanRevisions returns a case's revisions, newest first, without documents.
func (s *Store) ListPlanRevisions(ctx context.Context, call Call, caseID string, page Page) ([]PlanRevision, string, error) {
	before, err := page.before()
	if err != nil {
		return nil, "", err
	}
	size := page.Most()
	var out []PlanRevision
	next := ""
	var at time.Time
	err = s.view(ctx, call, func(q querier, now time.Time) error {
		at = now
		var there caseRow
		if err := q.get(ctx, &there, stmtCaseGet, call.Practice, caseID); err != nil {
			if noRows(err) {
				err = notFound("cases/" + caseID)
			}
			return err
		}
		var rows []revisionRow
		if err := q.list(ctx, &rows, stmtRevisionPage, call.Practice, caseID, before, size+1); err != nil {
			return err
		}
		if len(rows) > size {
			rows = rows[:size]
			next = strconv.Itoa(rows[size-1].Revision)
		}
		for _, r := range rows {
			out = append(out, r.record(caseID))
		}
		return s.addToRevisions(ctx, q, call.Practice, caseID, out)
	})
	if err != nil {
		return nil, "", err
	}
	return out, next, s.access.record(ctx, call, "cases/"+caseID+"/revisions", at)
}

// addToRevisions adds visits and acceptances to revisions that follow each
// other without gaps, newest first.
func (s *Store) addToRevisions(ctx context.Context, q querier, practice, caseID string, to []PlanRevision) error {
	if len(to) == 0 {
		return nil
	}
	newest, oldest := to[0].Revision, to[len(to)-1].Revision
	var visits []visitRow
	if err := q.list(ctx, &visits, stmtVisitsOf, practice, caseID, oldest, newest); err != nil {
		return err
	}
	for _, v := range visits {
		r := &to[newest-v.Revision]
		r.Visits = append(r.Visits, PlannedVisit{Option: v.Option, Visit: v.Visit, Minutes: v.Minutes, EarliestDays: v.EarliestDays,
			TargetDays: v.TargetDays, LatestDays: v.LatestDays, IfNeeded: v.IfNeeded, NeedPermille: v.NeedPermille})
	}
	var accepted []acceptanceRow
	if err := q.list(ctx, &accepted, stmtAcceptancesOf, practice, caseID, oldest, newest); err != nil {
		return err
	}
	for _, a := range accepted { // in order: the last one counts
		plain, err := s.keys.open(a.Sealed, practice, acceptanceRecord(caseID, a.Seq))
		if err != nil {
			return err
		}
		rec := Acceptance{CaseID: caseID, Revision: a.Revision, Option: a.Option, Clinician: a.Clinician, Actor: a.Actor, CreateTime: fromUS(a.CreateUS)}
		var sealed sealedAcceptance
		if err := json.Unmarshal(plain, &sealed); err != nil {
			return &Problem{Kind: ErrSealed, Resource: acceptanceRecord(caseID, a.Seq), cause: err}
		}
		rec.Consent, rec.Against = sealed.Consent, sealed.Against
		to[newest-a.Revision].Acceptance = &rec
	}
	return nil
}

// AcceptOption keeps a clinician's acceptance of an option of the latest revision.
func (s *Store) AcceptOption(ctx context.Context, call Call, a NewAcceptance) (Acceptance, error) {
	if len(a.Option) > 64 || a.Option == "" {
		return Acceptance{}, invalid("option", "an id of 1 to 64 bytes")
	}
	if len(a.Against) > 500*4 {
		return Acceptance{}, invalid("against", "at most 500 characters")
	}
	return write(ctx, s, call, func(t *tx) (Acceptance, error) {
		c, row, err := t.openCase(ctx, a.CaseID)
		if err != nil {
			return Acceptance{}, err
		}
		if a.Revision != c.Revision || c.Revision == 0 {
			return Acceptance{}, stale("cases/" + c.ID + "/revisions")
		}
		if err := t.clinicianThere(ctx, a.Clinician); err != nil {
			return Acceptance{}, err
		}
		var n int
		if err := t.get(ctx, &n, stmtOptionThere, call.Practice, c.ID, a.Revision, a.Option); err != nil {
			return Acceptance{}, err
		}
		if n == 0 {
			return Acceptance{}, &Problem{Kind: ErrNotFound, Resource: revisionRecord(c.ID, a.Revision), Field: "option", Want: "an option of this revision"}
		}
		var seq int
		if err := t.get(ctx, &seq, stmtAcceptanceLast, call.Practice, c.ID); err != nil {
			return Acceptance{}, err
		}
		seq++
		plain, _ := json.Marshal(sealedAcceptance{a.Consent, a.Against}) // strings and a time always marshal
		if _, err := t.exec(ctx, stmtAcceptancePut, call.Practice, c.ID, seq, a.Revision, a.Option, a.Clinician,
			s.keys.seal(plain, call.Practice, acceptanceRecord(c.ID, seq)), call.Actor, us(t.now)); err != nil {
			return Acceptance{}, err
		}
		if _, err := t.exec(ctx, stmtCareNow, call.Practice, c.ID); err != nil {
			return Acceptance{}, err
		}
		fields := []string{"acceptance"}
		if c.State == CaseReferred || c.State == CaseAssessed {
			c.State = CasePlanned
			fields = append(fields, "state")
		}
		if c, err = t.putCase(ctx, c, row); err != nil {
			return Acceptance{}, err
		}
		t.about(revisionRecord(c.ID, a.Revision), fields...)
		t.changed("plan.accepted", revisionRecord(c.ID, a.Revision), c.Etag)
		return Acceptance{CaseID: c.ID, Revision: a.Revision, Option: a.Option, Clinician: a.Clinician, Consent: a.Consent,
			Against: a.Against, Actor: call.Actor, CreateTime: t.now}, nil
	})
}
