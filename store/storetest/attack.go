package storetest

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/visitwright/visitwright/store"
)

// overlaps counts pairs of our own live spans that share a resource at one time.
// It asks the table, past everything that the store does.
const overlaps = `SELECT count(*) FROM spans a JOIN spans b
	ON a.practice_id = b.practice_id AND a.resource = b.resource AND a.start_us < b.end_us AND b.start_us < a.end_us
	AND (a.appointment_id < b.appointment_id OR (a.appointment_id = b.appointment_id AND a.start_us < b.start_us))
	WHERE a.hold = 2 AND b.hold = 2`

// attackResult is what the attackers saw.
type attackResult struct {
	acknowledged map[string]bool // appointments that were booked and not given up since
	booked       int
	refused      int
	explained    int // refusals that named the resource in the way
}

// attack lets many clients on all stores book, hold, confirm, move and cancel at
// random on one nearly full day of two rooms, one clinician, two nurses and a
// microscope.
func attack(t *testing.T, stores []*store.Store, s *surgery, clients, attempts int) attackResult {
	patients := make([]store.Patient, 4)
	for i := range patients {
		patients[i] = s.bench.patient(ours, fmt.Sprintf("attack-%d", i))
	}
	total := attackResult{acknowledged: map[string]bool{}}
	var mu sync.Mutex
	var wg sync.WaitGroup
	for c := range clients {
		wg.Go(func() {
			rng := rand.New(rand.NewPCG(1, uint64(c)))
			mine := attackResult{acknowledged: map[string]bool{}}
			var held []store.Appointment
			for range attempts {
				st := stores[rng.IntN(len(stores))]
				err := oneAttack(t, st, s, rng, patients, &held, &mine)
				var taken *store.Taken
				switch {
				case err == nil || errors.Is(err, store.ErrBusy): // busy: kept nothing, told so
				case errors.As(err, &taken):
					mine.refused++
					if taken.Kind != "" {
						mine.explained++
					}
				default:
					t.Errorf("client %d: %v", c, err)
					return
				}
			}
			mu.Lock()
			defer mu.Unlock()
			for id := range mine.acknowledged {
				total.acknowledged[id] = true
			}
			total.booked += mine.booked
			total.refused += mine.refused
			total.explained += mine.explained
		})
	}
	wg.Wait()
	return total
}

// randomPlace lies between 08:00 and 18:00, 15 to 60 minutes long.
func (s *surgery) randomPlace(rng *rand.Rand) store.Place {
	from := 480 + 5*rng.IntN(108)
	to := from + 15 + 5*rng.IntN(10)
	room := s.room
	if rng.IntN(2) == 0 {
		room = s.room2
	}
	p := s.place(room, from, to)
	p.Spans = append(p.Spans, store.Span{ResourceRef: s.nurse, Start: at(from), End: at(from + 10)})
	if rng.IntN(2) == 0 {
		p.Spans = append(p.Spans, store.Span{ResourceRef: s.scope, Start: at(from + 5), End: at(to)})
	}
	return p
}

func oneAttack(t *testing.T, st *store.Store, s *surgery, rng *rand.Rand, patients []store.Patient, held *[]store.Appointment, mine *attackResult) error {
	ctx := t.Context()
	pick := func() (store.Appointment, bool) {
		if len(*held) == 0 {
			return store.Appointment{}, false
		}
		i := rng.IntN(len(*held))
		a := (*held)[i]
		*held = slices.Delete(*held, i, i+1)
		return a, true
	}
	switch op := rng.IntN(10); {
	case op < 6:
		n := store.NewBooking{PatientID: patients[rng.IntN(len(patients))].ID, Visits: []store.NewVisit{{Place: s.randomPlace(rng)}}}
		if rng.IntN(3) == 0 {
			n.HoldFor = time.Hour
		}
		b, err := st.BookOffer(ctx, call(ours), n)
		if err != nil {
			return err
		}
		mine.booked++
		mine.acknowledged[b.Appointments[0].ID] = true
		*held = append(*held, b.Appointments[0])
	case op < 7:
		if a, ok := pick(); ok {
			a, err := st.ChangeAppointment(ctx, call(ours), store.StateChange{ID: a.ID, To: store.StateCancelled, Reason: "x"})
			if err != nil {
				return err
			}
			delete(mine.acknowledged, a.ID)
		}
	case op < 9:
		if a, ok := pick(); ok {
			moved, err := st.MoveAppointment(ctx, call(ours), store.Move{ID: a.ID, Etag: a.Etag, Place: s.randomPlace(rng)})
			if err != nil {
				*held = append(*held, a)
				return err
			}
			*held = append(*held, moved)
		}
	default:
		if a, ok := pick(); ok {
			if a.State != store.StateProvisional {
				*held = append(*held, a)
				return nil
			}
			b, err := st.ConfirmBooking(ctx, call(ours), a.Booking)
			if err != nil {
				return err
			}
			*held = append(*held, b.Appointments...)
		}
	}
	return nil
}

// TestAttack books from many clients at once, on one server or two, and asks the
// database for overlaps: there must be none, everything acknowledged must be
// there, and every refusal must say why.
func TestAttack(t *testing.T, backend Backend, replicas, clients, attempts int) {
	s := newSurgery(newBench(t, backend), ours)
	stores := []*store.Store{s.s}
	for len(stores) < replicas {
		stores = append(stores, OpenPlace(t, s.bench.place, s.clock))
	}
	got := attack(t, stores, s, clients, attempts)
	raw := s.bench.place.Raw(t)
	var n int
	s.must(raw.QueryRowContext(t.Context(), overlaps).Scan(&n))
	if n != 0 {
		t.Errorf("%d pairs of our own bookings overlap", n)
	}
	if got.booked < 20 || got.refused < 20 {
		t.Errorf("%d booked and %d refused: the attack was none", got.booked, got.refused)
	}
	// A place may have been given up between the refusal and the search for its
	// cause; most refusals find it.
	if got.explained*2 < got.refused {
		t.Errorf("only %d of %d refusals say what was in the way", got.explained, got.refused)
	}
	list, _, err := s.s.ListAppointments(t.Context(), call(ours), store.AppointmentQuery{From: at(0), To: at(1440), Page: store.Page{Size: store.MaxPageSize}})
	s.must(err)
	there := map[string]bool{}
	for _, a := range list {
		there[a.ID] = true
		if len(a.Conflicts) > 0 {
			t.Errorf("appointment %s is in conflict", a.ID)
		}
	}
	for id := range got.acknowledged {
		if !there[id] {
			t.Errorf("appointment %s was acknowledged and is not in the diary", id)
		}
	}
	masksAgree(s)
	if broken, err := s.s.VerifyAudit(t.Context(), call(ours)); err != nil || broken != nil {
		t.Errorf("the audit trail breaks at %+v, %v", broken, err)
	}
	t.Logf("%d booked, %d refused, %d of these explained", got.booked, got.refused, got.explained)
}

// TestAttackSeesOverlaps removes the schema's refusal: the same attack must now
// find overlaps, or it could not see any.
func TestAttackSeesOverlaps(t *testing.T, backend Backend) {
	s := newSurgery(newBench(t, backend), ours)
	raw := s.bench.place.Raw(t)
	dropGuard(s)
	attack(t, []*store.Store{s.s}, s, 4, 40)
	var n int
	s.must(raw.QueryRowContext(t.Context(), overlaps).Scan(&n))
	if n == 0 {
		t.Error("without the constraint the attack finds no overlap: it proves nothing with it")
	}
}

// masksAgree compares the masks of the test's day with its appointments.
func masksAgree(s *surgery) {
	s.Helper()
	list, _, err := s.s.ListAppointments(s.ctx, call(ours), store.AppointmentQuery{From: at(-1440), To: at(2 * 1440), Page: store.Page{Size: store.MaxPageSize}})
	s.must(err)
	first := at(0).Unix()/86400 - 1
	got, err := s.s.ReadDays(s.ctx, call(ours), first, first+3, 0)
	s.must(err)
	type cell struct {
		ref store.ResourceRef
		at  int64
	}
	busy := map[cell]bool{}
	for _, a := range list {
		for _, p := range a.Spans {
			for c := p.Start.Unix() / 300; c < (p.End.Unix()+299)/300; c++ {
				busy[cell{p.ResourceRef, c}] = true
			}
		}
	}
	n := 0
	for _, d := range got.Days {
		for ref, mask := range d.Masks {
			for i := range store.CellsPerDay {
				if !mask.Busy(i) {
					continue
				}
				n++
				if !busy[cell{ref, d.Day*store.CellsPerDay + int64(i)}] {
					s.Fatalf("%v day %d cell %d: occupied in the masks, free in the appointments", ref, d.Day, i)
				}
			}
		}
	}
	if n != len(busy) {
		s.Fatalf("%d cells in the masks, %d in the appointments", n, len(busy))
	}
}
