package store

import (
	"cmp"
	"context"
	"errors"
	"slices"
	"strings"
	"time"

	"github.com/lib/pq"
)

// How strongly a span holds its resource. Two of holdOurs never overlap: the
// schema refuses it.
const (
	holdNothing  = 0
	holdExternal = 1
	holdOurs     = 2
)

const dayUS = int64(24 * time.Hour / time.Microsecond)

var (
	stmtSpanPut = differs("span put", `
		INSERT INTO spans (practice_id, appointment_id, resource, start_us, end_us, hold) VALUES (?1, ?2, ?3, ?4, ?5, ?6)`, `
		INSERT INTO spans (practice_id, appointment_id, resource, start_us, end_us, hold)
		SELECT ?1, a, r, s, e, h FROM unnest(?2::text[], ?3::text[], ?4::bigint[], ?5::bigint[], ?6::smallint[]) AS w(a, r, s, e, h)`, true)
	stmtSpanDrop = differs("span drop", `
		DELETE FROM spans WHERE practice_id = ?1 AND appointment_id IN (SELECT value FROM json_each(?2))`, `
		DELETE FROM spans WHERE practice_id = ?1 AND appointment_id = ANY(?2::text[])`, true)
	// Which spans of the holds ?3 and ?4 lie where others are wanted. Both
	// spellings look each wanted span up in spans_resource.
	// On PostgreSQL the day is taken off beforehand: row security lets it look up
	// by a comparison only when both sides are plain columns.
	stmtSpanMeet = differs("span meet", `
		WITH w(n, r, s, e) AS MATERIALIZED (SELECT key, value->>'r', value->>'s', value->>'e' FROM json_each(?2))
		SELECT w.n, s.appointment_id, s.hold FROM w CROSS JOIN spans s
		WHERE s.practice_id = ?1 AND s.resource = w.r AND s.hold IN (?3, ?4)
		AND s.start_us < w.e AND s.start_us > w.s - 86400000000 AND s.end_us > w.s
		AND s.appointment_id NOT IN (SELECT value FROM json_each(?5))
		ORDER BY w.n LIMIT 50`, `
		WITH w AS MATERIALIZED (
			SELECT n - 1 AS n, r, s, e, s - 86400000000 AS low
			FROM ROWS FROM (jsonb_to_recordset(?2::jsonb) AS (r text, s bigint, e bigint)) WITH ORDINALITY AS l(r, s, e, n))
		SELECT w.n, s.appointment_id, s.hold
		FROM w CROSS JOIN unnest(ARRAY[?3::smallint, ?4::smallint]) AS v(hold) CROSS JOIN LATERAL (
			SELECT s.appointment_id, s.hold FROM spans s
			WHERE s.practice_id = ?1 AND s.resource = w.r AND s.hold = v.hold AND s.start_us < w.e AND s.start_us > w.low AND s.end_us > w.s
				AND s.appointment_id <> ALL(?5::text[])
			OFFSET 0) s
		ORDER BY w.n LIMIT 50`, false)
	stmtResourcesThere = differs("resources there", `
		SELECT ref, active FROM resources WHERE practice_id = ?1 AND ref IN (SELECT value FROM json_each(?2))
		UNION ALL SELECT 'patient/' || id, 1 FROM patients WHERE practice_id = ?1 AND id = ?3`, `
		SELECT ref, active FROM resources WHERE practice_id = ?1 AND ref = ANY(?2::text[])
		UNION ALL SELECT 'patient/' || id, true FROM patients WHERE practice_id = ?1 AND id = ?3`, false)
)

// spanJSON is a span as it is kept in an appointment's row and sent to the
// database as a list.
type spanJSON struct {
	Resource string `json:"r"`
	StartUS  int64  `json:"s"`
	EndUS    int64  `json:"e"`
}

// wanted is a span that is to be kept.
type wanted struct {
	spanJSON
	appointment string
	visit       int
	hold        int
}

func spansJSON(spans []Span) []spanJSON {
	out := make([]spanJSON, len(spans))
	for i, p := range spans {
		out[i] = spanJSON{p.ref(), us(p.Start), us(p.End)}
	}
	return out
}

func spansFrom(kept []spanJSON) []Span {
	out := make([]Span, len(kept))
	for i, k := range kept {
		out[i] = Span{refOf(k.Resource), fromUS(k.StartUS), fromUS(k.EndUS)}
	}
	return out
}

// textList is a list of texts as a parameter.
func (s *Store) textList(list []string) any {
	if list == nil {
		list = []string{} // nil would be NULL, and compare with nothing
	}
	if s.postgres {
		return pq.StringArray(list)
	}
	return jsonText(list)
}

// checkSpans checks what may be asked for: known kinds, whole minutes, at most a day.
func checkSpans(spans []Span, field string) error {
	if len(spans) > 64 {
		return invalid(field, "at most 64")
	}
	for _, p := range spans {
		if !p.bookable() {
			return invalid(field, "a room, clinician, nurse or unit by its id")
		}
		if err := checkTimes(p.Start, p.End, field); err != nil {
			return err
		}
	}
	return nil
}

// The store keeps appointments of these years; an instant outside is a mistake.
var (
	earliestStart = time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC)
	latestStart   = time.Date(2100, 1, 1, 0, 0, 0, 0, time.UTC)
)

func checkTimes(start, end time.Time, field string) error {
	switch {
	case !start.Before(end):
		return invalid(field, "an end after the start")
	case end.Sub(start) > MaxSpan:
		return invalid(field, "at most 24 hours")
	case start.Before(earliestStart) || end.After(latestStart):
		return invalid(field, "a time between 2000 and 2100")
	case start.Truncate(time.Minute) != start || end.Truncate(time.Minute) != end:
		return invalid(field, "whole minutes")
	}
	return nil
}

// resourcesThere checks that every span names a resource of this practice that
// is in use, and that the patient, unless empty, is one of its patients.
func (t *tx) resourcesThere(ctx context.Context, spans []Span, patient string) error {
	have, err := t.knownResources(ctx, spans, patient)
	if err != nil {
		return err
	}
	if patient != "" && !have[ResourceRef{KindPatient, patient}.ref()] {
		return notFound("patients/" + patient)
	}
	for _, p := range spans {
		active, known := have[p.ref()]
		if !known {
			return notFound(resourceName(p.ResourceRef))
		}
		if !active {
			return wrongState(resourceName(p.ResourceRef), "a resource that is in use")
		}
	}
	return nil
}

func (t *tx) knownResources(ctx context.Context, spans []Span, patient string) (map[string]bool, error) {
	var refs []string
	for _, p := range spans {
		refs = append(refs, p.ref())
	}
	slices.Sort(refs)
	refs = slices.Compact(refs)
	out := make(map[string]bool, len(refs))
	if len(refs) == 0 && patient == "" {
		return out, nil
	}
	var rows []struct {
		Ref    string `db:"ref"`
		Active bool   `db:"active"`
	}
	err := t.list(ctx, &rows, stmtResourcesThere, t.call.Practice, t.s.textList(refs), patient)
	for _, r := range rows {
		out[r.Ref] = r.Active
	}
	return out, err
}

// inOrder sorts spans by their resource and start, the same for every writer, so
// that two of them cannot wait for each other.
func inOrder(all []wanted) {
	slices.SortFunc(all, func(a, b wanted) int {
		return cmp.Or(strings.Compare(a.Resource, b.Resource), cmp.Compare(a.StartUS, b.StartUS), strings.Compare(a.appointment, b.appointment))
	})
}

// putSpans keeps spans.
func (t *tx) putSpans(ctx context.Context, all []wanted) error {
	if t.s.postgres {
		if len(all) == 0 {
			return nil
		}
		_, err := t.exec(ctx, stmtSpanPut, append([]any{t.call.Practice}, spanArrays(all)...)...)
		return t.taken(ctx, err)
	}
	inOrder(all)
	for _, w := range all {
		if _, err := t.exec(ctx, stmtSpanPut, t.call.Practice, w.appointment, w.Resource, w.StartUS, w.EndUS, w.hold); err != nil {
			return t.taken(ctx, err)
		}
	}
	return nil
}

// spanArrays are spans as five parameters: appointments, resources, starts,
// ends, holds.
func spanArrays(all []wanted) []any {
	inOrder(all)
	n := len(all)
	ids, refs := make([]string, n), make([]string, n)
	starts, ends, holds := make([]int64, n), make([]int64, n), make([]int64, n)
	for i, w := range all {
		ids[i], refs[i], starts[i], ends[i], holds[i] = w.appointment, w.Resource, w.StartUS, w.EndUS, int64(w.hold)
	}
	return []any{pq.StringArray(ids), pq.StringArray(refs), pq.Int64Array(starts), pq.Int64Array(ends), pq.Int64Array(holds)}
}

// taken turns the refusal of a span by the schema into ErrTaken.
func (t *tx) taken(ctx context.Context, err error) error {
	if err == nil {
		return nil
	}
	if kind := t.s.clean(ctx, err); errors.Is(kind, errRefusedByTrigger) {
		return ErrTaken
	}
	return err
}

// among finds a wanted span that meets another of the same list.
func among(all []wanted) *Taken {
	for i, a := range all {
		for _, b := range all[:i] {
			if a.Resource == b.Resource && a.StartUS < b.EndUS && b.StartUS < a.EndUS {
				return a.refused()
			}
		}
	}
	return nil
}

func (w wanted) refused() *Taken {
	ref := refOf(w.Resource)
	return &Taken{Kind: ref.Kind, Resource: ref.ID, Visit: w.visit, Start: fromUS(w.StartUS), End: fromUS(w.EndUS)}
}

type meeting struct {
	N           int    `db:"n"`
	Appointment string `db:"appointment_id"`
	Hold        int    `db:"hold"`
}

// meet returns which kept spans lie where others are wanted, leaving out those
// of the appointments named.
func (s *Store) meet(ctx context.Context, q querier, practice string, all []wanted, from, to int, except []string) ([]meeting, error) {
	list := make([]spanJSON, len(all))
	for i, w := range all {
		list[i] = w.spanJSON
	}
	var rows []meeting
	err := q.list(ctx, &rows, stmtSpanMeet, practice, jsonText(list), from, to, s.textList(except))
	return rows, err
}

// freeOfExternal checks that no booking of ours is made into what another system
// has. The practice's head is locked first: whatever is taken in either is seen
// here, or comes later and is marked as a conflict.
func (t *tx) freeOfExternal(ctx context.Context, all []wanted, except []string) error {
	if err := t.lockHead(ctx); err != nil {
		return err
	}
	met, err := t.s.meet(ctx, t, t.call.Practice, all, holdExternal, holdExternal, except)
	if err == nil && len(met) > 0 {
		err = all[met[0].N].refused()
	}
	return err
}

// explain finds out, after a refusal, which span was in the way. When it is gone
// by now the answer says only that the place was taken.
func (s *Store) explain(ctx context.Context, call Call, all []wanted, except []string, refusal error) error {
	var t *Taken
	if !errors.Is(refusal, ErrTaken) || errors.As(refusal, &t) || len(all) == 0 {
		return refusal
	}
	found := &Taken{}
	err := s.view(ctx, call, func(q querier, _ time.Time) error {
		met, err := s.meet(ctx, q, call.Practice, all, holdExternal, holdOurs, except)
		if err == nil && len(met) > 0 {
			found = all[met[0].N].refused()
		}
		return err
	})
	if err != nil {
		return &Taken{}
	}
	return found
}
