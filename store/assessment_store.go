package store

import (
	"context"
	"strconv"
	"time"
)

var (
	stmtAssessmentPut = writes("assessment put", `
		INSERT INTO assessments (practice_id, case_id, version, sealed, actor, create_us) VALUES (?1, ?2, ?3, ?4, ?5, ?6)`)
	stmtAssessmentGet = reads("assessment get", `
		SELECT version, sealed, actor, create_us FROM assessments
		WHERE practice_id = ?1 AND case_id = ?2 AND (?3 = 0 OR version = ?3) ORDER BY version DESC LIMIT 1`)
)

type assessmentRow struct {
	Version  int    `db:"version"`
	Sealed   []byte `db:"sealed"`
	Actor    string `db:"actor"`
	CreateUS int64  `db:"create_us"`
}

func assessmentRecord(caseID string, version int) string {
	return "cases/" + caseID + "/assessments/" + strconv.Itoa(version)
}

// SaveAssessment keeps the next version.
func (s *Store) SaveAssessment(ctx context.Context, call Call, a NewAssessment) (Assessment, error) {
	if len(a.Document) > MaxDocument {
		return Assessment{}, invalid("document", "at most 1 MiB")
	}
	saved, err := write(ctx, s, call, func(t *tx) (Assessment, error) {
		c, row, err := t.openCase(ctx, a.CaseID)
		if err != nil {
			return Assessment{}, err
		}
		if a.Base != c.Assessment {
			return Assessment{}, stale("cases/" + c.ID + "/assessments")
		}
		c.Assessment++
		if c.State == CaseReferred {
			c.State = CaseAssessed
		}
		fields := []string{"assessment"}
		set(&c.Tooth, a.Tooth, "tooth", &fields)
		set(&c.Protocol, a.Protocol, "protocol", &fields)
		set(&c.Diagnosis, a.Diagnosis, "diagnosis", &fields)
		set(&c.Document, a.CaseDocument, "document", &fields)
		if err := checkCase(c); err != nil {
			return Assessment{}, err
		}
		if c, err = t.putCase(ctx, c, row); err != nil {
			return Assessment{}, err
		}
		name := assessmentRecord(c.ID, c.Assessment)
		_, err = t.exec(ctx, stmtAssessmentPut, call.Practice, c.ID, c.Assessment, s.keys.seal(a.Document, call.Practice, name),
			call.Actor, us(t.now))
		t.about(name, fields...)
		t.changed("case.assessed", "cases/"+c.ID, c.Etag)
		// The document is not kept a second time for a retry.
		return Assessment{CaseID: c.ID, Version: c.Assessment, Actor: call.Actor, CreateTime: t.now}, err
	})
	saved.Document = a.Document // a replay has the same request, hence the same document
	return saved, err
}

// GetAssessment returns one version; 0 means the latest.
func (s *Store) GetAssessment(ctx context.Context, call Call, caseID string, version int) (Assessment, error) {
	var row assessmentRow
	var at time.Time
	err := s.glance(ctx, call, func(q querier, now time.Time) error {
		at = now
		err := q.get(ctx, &row, stmtAssessmentGet, call.Practice, caseID, version)
		if noRows(err) {
			err = notFound("cases/" + caseID)
		}
		return err
	})
	if err != nil {
		return Assessment{}, err
	}
	name := assessmentRecord(caseID, row.Version)
	plain, err := s.keys.open(row.Sealed, call.Practice, name)
	if err != nil {
		return Assessment{}, err
	}
	out := Assessment{CaseID: caseID, Version: row.Version, Document: plain, Actor: row.Actor, CreateTime: fromUS(row.CreateUS)}
	return out, s.access.record(ctx, call, name, at)
}
