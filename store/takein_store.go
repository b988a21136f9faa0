package store

import (
	"context"
	"crypto/sha256"
	"encoding/json"
	"slices"
	"strings"
	"time"
	"unicode/utf8"
)

var (
	stmtExternalAppointments = differs("external appointments", `
		SELECT `+prefixed+` FROM json_each(?2) w CROSS JOIN appointments a
		WHERE a.practice_id = ?1 AND a.origin = 'external' AND a.system = json_extract(w.value, '$.system') AND a.value = json_extract(w.value, '$.value')`, `
		SELECT `+prefixed+` FROM jsonb_to_recordset(?2::jsonb) AS w(system text, value text) JOIN appointments a
		ON a.practice_id = ?1 AND a.origin = 'external' AND a.system = w.system AND a.value = w.value
		ORDER BY a.id FOR NO KEY UPDATE OF a`, true)
	stmtPatientsThere = differs("patients there", `
		SELECT id FROM patients WHERE practice_id = ?1 AND id IN (SELECT value FROM json_each(?2))`, `
		SELECT id FROM patients WHERE practice_id = ?1 AND id = ANY(?2::text[])`, false)
)

// TakeIn keeps what another system sends, item by item. It needs no request id:
// the key of each item makes a second try find the first one's work. In one
// call a key may come several times; each is applied in its turn.
func (s *Store) TakeIn(ctx context.Context, call Call, items []ExternalAppointment) ([]TakenIn, error) {
	if len(items) > MaxTakeIn {
		return nil, invalid("items", "at most 2000 in one call")
	}
	call.RequestID = ""
	var out []TakenIn
	_, err := write(ctx, s, call, func(t *tx) (struct{}, error) { // out stays outside: a Problem does not survive JSON
		out = make([]TakenIn, len(items))
		t.silent = true // each appointment has its own entry
		if err := t.lockHead(ctx); err != nil {
			return struct{}{}, err
		}
		known, err := t.knownOf(ctx, items)
		if err != nil {
			return struct{}{}, err
		}
		for rest := items; len(rest) > 0 && err == nil; {
			done := len(items) - len(rest)
			n := firstRepeat(rest)
			err = t.takeIn(ctx, rest[:n], known, out[done:done+n])
			rest = rest[n:]
		}
		return struct{}{}, err
	})
	if err != nil {
		return nil, err
	}
	return out, nil
}

// firstRepeat is the number of items before the first whose key came already.
func firstRepeat(items []ExternalAppointment) int {
	seen := make(map[ExternalID]bool, len(items))
	for i, x := range items {
		if seen[x.Key] {
			return i
		}
		seen[x.Key] = true
	}
	return len(items)
}

// known is what items may refer to.
type known struct{ resources, patients map[string]bool }

func (t *tx) knownOf(ctx context.Context, items []ExternalAppointment) (known, error) {
	var spans []Span
	var patients []string
	for _, x := range items {
		for _, p := range x.Spans {
			if p.bookable() { // what cannot be a name is not looked for
				spans = append(spans, p)
			}
		}
		if validID(x.PatientID) {
			patients = append(patients, x.PatientID)
		}
	}
	k := known{patients: map[string]bool{}}
	var err error
	if k.resources, err = t.knownResources(ctx, spans, ""); err != nil || len(patients) == 0 {
		return k, err
	}
	slices.Sort(patients)
	var ids []string
	err = t.list(ctx, &ids, stmtPatientsThere, t.call.Practice, t.s.textList(slices.Compact(patients)))
	for _, id := range ids {
		k.patients[id] = true
	}
	return k, err
}

func (k known) check(x ExternalAppointment) error {
	if err := checkExternalID(x.Key, "key"); err != nil {
		return err
	}
	if err := checkTimes(x.Start, x.End, "start"); err != nil {
		return err
	}
	if err := checkSpans(x.Spans, "spans"); err != nil {
		return err
	}
	if len(x.Zone) > 64 || len(x.Local) > 32 || len(x.ZoneVersion) > 16 || len(x.Document) > MaxDocument {
		return invalid("zone", "an IANA zone, a local time and a version of the zone database")
	}
	for _, text := range []string{x.Key.System, x.Key.Value, x.Zone, x.Local, x.ZoneVersion} {
		if !utf8.ValidString(text) || strings.ContainsRune(text, 0) {
			return invalid("key", "text in UTF-8 without zero bytes")
		}
	}
	if x.PatientID != "" && !k.patients[x.PatientID] {
		return &Problem{Kind: ErrNotFound, Field: "patient", Want: "a patient of this practice, or none"}
	}
	for _, p := range x.Spans {
		if _, there := k.resources[p.ref()]; !there {
			return &Problem{Kind: ErrNotFound, Field: "spans", Want: "rooms, clinicians, nurses and units of this practice"}
		}
	}
	return nil
}

// contentHash tells whether an item says anything new.
func (x ExternalAppointment) contentHash() []byte {
	x.Key = ExternalID{}
	x.Start, x.End = x.Start.UTC(), x.End.UTC()
	text, _ := json.Marshal(x) // strings, times and bytes always marshal
	sum := sha256.Sum256(text)
	return sum[:]
}

// takeIn keeps items of different keys.
func (t *tx) takeIn(ctx context.Context, items []ExternalAppointment, k known, out []TakenIn) error {
	keys := make([]ExternalID, 0, len(items))
	for i, x := range items {
		out[i] = TakenIn{Key: x.Key}
		if err := k.check(x); err != nil {
			out[i].Outcome, out[i].Problem = TakeRefused, err
			continue
		}
		keys = append(keys, x.Key)
	}
	var rows []appointmentRow
	if err := t.list(ctx, &rows, stmtExternalAppointments, t.call.Practice, jsonText(keys)); err != nil {
		return err
	}
	have := make(map[ExternalID]appointmentRow, len(rows))
	for _, r := range rows {
		have[ExternalID{r.System, r.Value}] = r
	}
	var spans []wanted
	var cleared []string
	var list []fresh
	for i, x := range items {
		if out[i].Outcome == TakeRefused {
			continue
		}
		row, there := have[x.Key]
		var a Appointment
		var err error
		if there {
			a, out[i].Outcome, err = t.takeChange(ctx, x, row)
			if out[i].Outcome != TakeUnchanged {
				cleared = append(cleared, a.ID)
			}
		} else {
			a, out[i].Outcome = t.takeNew(x)
			list = append(list, fresh{a, x.contentHash()})
		}
		if err != nil {
			return err
		}
		out[i].ID = a.ID
		if out[i].Outcome != TakeUnchanged {
			spans = append(spans, a.wanted(1)...)
		}
	}
	if len(cleared) > 0 {
		if _, err := t.exec(ctx, stmtSpanDrop, t.call.Practice, t.s.textList(cleared)); err != nil {
			return err
		}
	}
	return t.putAppointments(ctx, list, spans)
}

func (a *Appointment) takeFrom(x ExternalAppointment) {
	a.PatientID, a.Document = x.PatientID, x.Document
	a.place(Place{Start: x.Start, End: x.End, Zone: x.Zone, Local: x.Local, ZoneVersion: x.ZoneVersion, Spans: x.Spans})
}

// comesAgain reports whether what was marked of an appointment says nothing about
// the start that its master gives it now: it was missed or is over, and the new
// start is still to come. Whoever waits or is being treated stays so through a
// small shift.
func (a *Appointment) comesAgain(start, now time.Time) bool {
	switch a.State {
	case StateDidNotAttend, StateLeft:
		return !start.Equal(a.Start) && start.After(now)
	case StateArrived, StateInChair:
		return start.Sub(now) > shiftedFor
	}
	return false
}

// shiftedFor is how far ahead a start is no shift of a visit that has begun.
const shiftedFor = 12 * time.Hour

func (t *tx) takeNew(x ExternalAppointment) (Appointment, TakeOutcome) {
	a := Appointment{ID: newID(t.now), Origin: OriginExternal, External: x.Key, State: StateBooked, Etag: etag(1), CreateTime: t.now, UpdateTime: t.now}
	outcome := TakeCreated
	if x.Cancelled {
		a.State, outcome = StateCancelled, TakeCancelled
	}
	a.takeFrom(x)
	if a.holds() != holdNothing {
		t.occupied(a.allSpans())
	}
	t.alsoChanged("appointments/"+a.ID, "state", "start", "spans")
	t.changed("appointment.taken_in", "appointments/"+a.ID, a.Etag)
	return a, outcome
}

func (t *tx) takeChange(ctx context.Context, x ExternalAppointment, row appointmentRow) (Appointment, TakeOutcome, error) {
	a, err := t.s.appointment(t.call.Practice, row)
	if err != nil {
		return a, TakeRefused, err
	}
	hash := x.contentHash()
	if slices.Equal(hash, row.ContentHash) {
		return a, TakeUnchanged, nil
	}
	t.freed(a.allSpans())
	outcome := TakeChanged
	switch {
	case x.Cancelled:
		a.State, outcome = StateCancelled, TakeCancelled
	case a.State == StateCancelled, a.comesAgain(x.Start, t.now):
		a.State, a.LateMinutes = StateBooked, 0
		a.ArriveTime, a.ChairTime, a.LeaveTime = time.Time{}, time.Time{}, time.Time{}
	}
	a.takeFrom(x)
	a.Sequence++
	row.ContentHash = hash
	if err := t.updateAppointment(ctx, &a, row); err != nil {
		return a, outcome, err
	}
	if a.holds() != holdNothing {
		t.occupied(a.allSpans())
	}
	kind := "taken_in"
	if x.Cancelled {
		kind = "cancelled"
	}
	t.alsoChanged("appointments/"+a.ID, "state", "start", "spans")
	t.changed("appointment."+kind, "appointments/"+a.ID, a.Etag)
	return a, outcome, nil
}
