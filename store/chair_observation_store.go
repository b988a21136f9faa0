package store

import (
	"context"
	"time"
)

var (
	stmtObservationPut = writes("observation put", `
		INSERT INTO chair_observations (practice_id, case_id, visit, protocol, tooth_class, clinician, end_us, document)
		VALUES (?1, ?2, ?3, ?4, ?5, ?6, ?7, ?8)
		ON CONFLICT (practice_id, case_id, visit) DO UPDATE SET protocol = excluded.protocol, tooth_class = excluded.tooth_class,
			clinician = excluded.clinician, end_us = excluded.end_us, document = excluded.document`)
	stmtObservations = reads("observations", `
		SELECT case_id, visit, protocol, tooth_class, clinician, end_us, document FROM chair_observations
		WHERE practice_id = ?1 AND (?2 = '' OR (protocol = ?2 AND tooth_class = ?3))
		ORDER BY end_us DESC, case_id, visit LIMIT ?4`)
)

type observationRow struct {
	CaseID     string `db:"case_id"`
	Visit      int    `db:"visit"`
	Protocol   string `db:"protocol"`
	ToothClass string `db:"tooth_class"`
	Clinician  string `db:"clinician"`
	EndUS      int64  `db:"end_us"`
	Document   string `db:"document"`
}

func (t *tx) putObservation(ctx context.Context, o *Observation) error {
	if o == nil {
		return nil
	}
	_, err := t.exec(ctx, stmtObservationPut, t.call.Practice, o.CaseID, o.Visit, o.Protocol, o.ToothClass, o.Clinician, us(o.End), o.Document)
	return err
}

// ListObservations returns the newest observations of a group, or of all. They
// say nothing about a patient and leave no entry in the audit trail.
func (s *Store) ListObservations(ctx context.Context, call Call, protocol, toothClass string) ([]Observation, error) {
	limit := MaxObservations
	if protocol == "" {
		limit = 20 * MaxObservations
	}
	var rows []observationRow
	err := s.glance(ctx, call, func(q querier, _ time.Time) error {
		return q.list(ctx, &rows, stmtObservations, call.Practice, protocol, toothClass, limit)
	})
	if err != nil {
		return nil, err
	}
	out := make([]Observation, len(rows))
	for i, r := range rows {
		out[i] = Observation{CaseID: r.CaseID, Visit: r.Visit, Protocol: r.Protocol, ToothClass: r.ToothClass, Clinician: r.Clinician,
			End: fromUS(r.EndUS), Document: r.Document}
	}
	return out, nil
}
