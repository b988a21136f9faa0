package storetest

import (
	"errors"
	"flag"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"testing"
	"time"

	"pgregory.net/rapid"

	"github.com/visitwright/visitwright/store"
)

// TestModel drives the diary with random bookings, holds, confirmations, moves,
// cancellations, appointments taken in and the passing of time, beside a model
// in memory that knows nothing but intervals. After each step the whole diary
// must equal the model, and every refusal must be one that the model expects.
func TestModel(t *testing.T, backend Backend) {
	if f := flag.Lookup("rapid.checks"); f.Value.String() == f.DefValue {
		if err := flag.Set("rapid.checks", modelChecks); err != nil {
			t.Fatal(err)
		}
	}
	b := newBench(t, backend)
	n := 0
	rapid.Check(t, func(r *rapid.T) {
		n++
		m := newModel(b, r, "model-"+strconv.Itoa(n))
		r.Repeat(map[string]func(*rapid.T){
			"book":    m.book,
			"confirm": m.confirm,
			"move":    m.move,
			"cancel":  m.cancel,
			"take in": m.takeIn,
			"wait":    m.wait,
			"":        m.compare,
		})
	})
}

type modelAppointment struct {
	id, booking, etag string
	external          string // its key, or empty
	state             store.AppointmentState
	spans             []store.Span // with the patient's
	start, end        time.Time
	until             time.Time
}

type model struct {
	b       *bench
	call    store.Call
	rooms   []store.ResourceRef
	patient []string
	byID    map[string]*modelAppointment
}

func newModel(b *bench, r *rapid.T, practice string) *model {
	CreatePractice(b.T, b.s, practice)
	m := &model{b: b, call: call(practice), byID: map[string]*modelAppointment{}}
	for i := range 2 {
		got, err := b.s.PutResource(b.ctx, m.call, store.Resource{ResourceRef: store.ResourceRef{Kind: store.KindRoom}, Name: fmt.Sprint(i), Active: true})
		m.must(r, err)
		m.rooms = append(m.rooms, got.ResourceRef)
		p, err := b.s.CreatePatient(b.ctx, m.call, store.Patient{Reference: fmt.Sprint("m", i)})
		m.must(r, err)
		m.patient = append(m.patient, p.ID)
	}
	return m
}

func (m *model) must(r *rapid.T, err error) {
	if err != nil {
		r.Fatal(err)
	}
}

func (m *model) now() time.Time { return m.b.clock.Now() }

// expire does in the model what the store does first in every write.
func (m *model) expire() {
	for _, a := range m.byID {
		if a.state == store.StateProvisional && !m.now().Before(a.until) {
			a.state = store.StateExpired
		}
	}
}

func (a *modelAppointment) live() bool {
	return a.state == store.StateProvisional || a.state == store.StateBooked
}

// free reports whether spans meet nothing that holds its resource, but for one
// appointment.
func (m *model) free(spans []store.Span, except string) bool {
	for id, a := range m.byID {
		if !a.live() || id == except {
			continue
		}
		for _, x := range a.spans {
			for _, y := range spans {
				if x.ResourceRef == y.ResourceRef && x.Start.Before(y.End) && y.Start.Before(x.End) {
					return false
				}
			}
		}
	}
	return true
}

// drawPlace lies in a short morning, so that places collide.
func (m *model) drawPlace(r *rapid.T) store.Place {
	from := 480 + 15*rapid.IntRange(0, 7).Draw(r, "start")
	to := from + 15*rapid.IntRange(1, 4).Draw(r, "length")
	room := rapid.SampledFrom(m.rooms).Draw(r, "room")
	return store.Place{Start: at(from), End: at(to), Spans: []store.Span{{ResourceRef: room, Start: at(from), End: at(to)}}}
}

func withPatient(p store.Place, patient string) []store.Span {
	return append(slices.Clone(p.Spans), store.Span{ResourceRef: store.ResourceRef{Kind: store.KindPatient, ID: patient}, Start: p.Start, End: p.End})
}

func (m *model) book(r *rapid.T) {
	patient := rapid.SampledFrom(m.patient).Draw(r, "patient")
	place := m.drawPlace(r)
	n := store.NewBooking{PatientID: patient, Visits: []store.NewVisit{{Place: place}}}
	if rapid.Bool().Draw(r, "provisional") {
		n.HoldFor = time.Duration(rapid.IntRange(1, 30).Draw(r, "minutes")) * time.Minute
	}
	m.expire()
	spans := withPatient(place, patient)
	want := m.free(spans, "")
	got, err := m.b.s.BookOffer(m.b.ctx, m.call, n)
	if (err == nil) != want || (err != nil && !errors.Is(err, store.ErrTaken)) {
		r.Fatalf("booking: %v, the model says free: %v", err, want)
	}
	if err != nil {
		return
	}
	a := got.Appointments[0]
	m.byID[a.ID] = &modelAppointment{id: a.ID, booking: got.ID, etag: a.Etag, state: a.State, spans: spans, start: place.Start, end: place.End, until: a.HoldUntil}
}

// some draws one of the appointments there are; nil when there is none.
func (m *model) some(r *rapid.T) *modelAppointment {
	if len(m.byID) == 0 {
		return nil
	}
	ids := slices.Sorted(maps.Keys(m.byID))
	return m.byID[rapid.SampledFrom(ids).Draw(r, "appointment")]
}

func (m *model) confirm(r *rapid.T) {
	a := m.some(r)
	if a == nil || a.external != "" {
		return
	}
	expired := a.state == store.StateExpired || a.state == store.StateProvisional && !m.now().Before(a.until)
	got, err := m.b.s.ConfirmBooking(m.b.ctx, m.call, a.booking)
	switch {
	case expired && errors.Is(err, store.ErrExpired):
	case !expired && a.state == store.StateProvisional && err == nil:
		a.state, a.etag = store.StateBooked, got.Appointments[0].Etag
	case !expired && a.state != store.StateProvisional && errors.Is(err, store.ErrWrongState):
	default:
		r.Fatalf("confirming a %s one, expired %v: %v", a.state, expired, err)
	}
}

func (m *model) move(r *rapid.T) {
	a := m.some(r)
	if a == nil || a.external != "" {
		return
	}
	place := m.drawPlace(r)
	m.expire()
	patient := a.spans[len(a.spans)-1].ID
	spans := withPatient(place, patient)
	got, err := m.b.s.MoveAppointment(m.b.ctx, m.call, store.Move{ID: a.id, Etag: a.etag, Place: place})
	switch {
	case err == nil && a.live() && m.free(spans, a.id):
		a.spans, a.start, a.end, a.etag = spans, place.Start, place.End, got.Etag
	case errors.Is(err, store.ErrTaken) && a.live() && !m.free(spans, a.id):
	case err != nil && !a.live() && (errors.Is(err, store.ErrWrongState) || errors.Is(err, store.ErrExpired) || errors.Is(err, store.ErrStaleEtag)):
	default:
		r.Fatalf("moving a %s one to where it is free %v: %v", a.state, m.free(spans, a.id), err)
	}
}

func (m *model) cancel(r *rapid.T) {
	a := m.some(r)
	if a == nil || a.external != "" {
		return
	}
	m.expire()
	_, err := m.b.s.ChangeAppointment(m.b.ctx, m.call, store.StateChange{ID: a.id, To: store.StateCancelled, Reason: "x"})
	switch {
	case err == nil && a.live():
		a.state = store.StateCancelled
	case err != nil && !a.live() && (errors.Is(err, store.ErrWrongState) || errors.Is(err, store.ErrExpired)):
	default:
		r.Fatalf("cancelling a %s one: %v", a.state, err)
	}
}

func (m *model) takeIn(r *rapid.T) {
	place := m.drawPlace(r)
	x := store.ExternalAppointment{Key: store.ExternalID{System: "d", Value: strconv.Itoa(rapid.IntRange(0, 3).Draw(r, "key"))},
		Start: place.Start, End: place.End, Spans: place.Spans, Cancelled: rapid.IntRange(0, 3).Draw(r, "cancelled") == 0}
	got, err := m.b.s.TakeIn(m.b.ctx, m.call, []store.ExternalAppointment{x})
	m.must(r, err)
	if got[0].Outcome == store.TakeRefused {
		r.Fatal(got[0].Problem)
	}
	a := m.byID[got[0].ID]
	if a == nil {
		a = &modelAppointment{id: got[0].ID, external: x.Key.Value}
		m.byID[a.id] = a
	}
	if a.external != x.Key.Value {
		r.Fatalf("key %s changed the appointment of key %s", x.Key.Value, a.external)
	}
	a.spans, a.start, a.end, a.state = place.Spans, place.Start, place.End, store.StateBooked
	if x.Cancelled {
		a.state = store.StateCancelled
	}
}

func (m *model) wait(r *rapid.T) {
	m.b.clock.Advance(time.Duration(rapid.IntRange(1, 20).Draw(r, "minutes")) * time.Minute)
}

func (m *model) compare(r *rapid.T) {
	list, _, err := m.b.s.ListAppointments(m.b.ctx, m.call, store.AppointmentQuery{From: at(0), To: at(1440), All: true, Page: store.Page{Size: store.MaxPageSize}})
	m.must(r, err)
	m.expire() // reading ends what is past its time too
	if len(list) != len(m.byID) {
		r.Fatalf("%d appointments in the diary, %d in the model", len(list), len(m.byID))
	}
	for _, got := range list {
		want := m.byID[got.ID]
		if want == nil || got.State != want.state || !got.Start.Equal(want.start) || !got.End.Equal(want.end) {
			r.Fatalf("diary has %s %s %v, model %+v", got.ID, got.State, got.Start, want)
		}
		if conflicts := len(got.Conflicts) > 0; conflicts != (want.live() && !m.free(want.spans, want.id)) {
			r.Fatalf("%s marked as a conflict: %v", got.ID, conflicts)
		}
		if len(got.Conflicts) > 0 && want.external == "" && !slices.ContainsFunc(got.Conflicts, func(id string) bool { return m.byID[id].external != "" }) {
			r.Fatal("two of our own are in conflict")
		}
	}
}
