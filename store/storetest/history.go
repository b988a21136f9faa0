package storetest

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/anishathalye/porcupine"

	"github.com/visitwright/visitwright/store"
)

// roomOp is one operation on one room's day: book or give up some cells.
type roomOp struct {
	room     int
	cancel   bool
	from, to int // cells of five minutes
}

// roomAnswer is what the client heard.
type roomAnswer int

const (
	answered roomAnswer = iota
	refused
	unknown // neither: the operation may have happened or not
)

// checkTimeout bounds the search for an order; it takes milliseconds.
const checkTimeout = 30 * time.Second

// roomModel is a room's day as a mask: a booking is answered when all its cells
// are free, and refused when one is not.
var roomModel = porcupine.Model{
	Partition: func(history []porcupine.Operation) [][]porcupine.Operation {
		var byRoom [][]porcupine.Operation
		for _, op := range history {
			room := op.Input.(roomOp).room
			for len(byRoom) <= room {
				byRoom = append(byRoom, nil)
			}
			byRoom[room] = append(byRoom[room], op)
		}
		return byRoom
	},
	Init: func() any { return store.Mask{} },
	Step: func(state, input, output any) (bool, any) {
		day, op, answer := state.(store.Mask), input.(roomOp), output.(roomAnswer)
		free := true
		for i := op.from; i < op.to; i++ {
			free = free && !day.Busy(i)
		}
		switch {
		case op.cancel && answer == refused, !op.cancel && answer == refused && free, !op.cancel && answer == answered && !free:
			return false, day
		case answer == refused, !op.cancel && !free: // an unknown booking of an occupied place did not happen
			return true, day
		}
		for i := op.from; i < op.to; i++ {
			if op.cancel {
				day[i/8] &^= 1 << (i % 8)
			} else {
				day[i/8] |= 1 << (i % 8)
			}
		}
		return true, day
	},
}

// history lets clients book and cancel on one day of two rooms and records what
// they asked and heard, with a counter as the clock.
func history(t *testing.T, stores []*store.Store, s *surgery, clients, attempts int) []porcupine.Operation {
	rooms := []store.ResourceRef{s.room, s.room2}
	var clock atomic.Int64
	var mu sync.Mutex
	var all []porcupine.Operation
	var wg sync.WaitGroup
	for c := range clients {
		// A patient of each client and room: what the patient stands in the way
		// of, the room does too.
		patients := []string{s.bench.patient(ours, fmt.Sprint("h", c)).ID, s.bench.patient(ours, fmt.Sprint("i", c)).ID}
		wg.Go(func() {
			rng := rand.New(rand.NewPCG(2, uint64(c)))
			type mine struct {
				id string
				op roomOp
			}
			var held []mine
			for range attempts {
				st := stores[rng.IntN(len(stores))]
				var op roomOp
				var err error
				began := clock.Add(1)
				if len(held) > 0 && rng.IntN(3) == 0 {
					op = held[0].op
					op.cancel = true
					_, err = st.ChangeAppointment(t.Context(), call(ours), store.StateChange{ID: held[0].id, To: store.StateCancelled, Reason: "x"})
					held = held[1:]
				} else {
					op = roomOp{room: rng.IntN(2), from: 96 + rng.IntN(40)}
					op.to = op.from + 3 + rng.IntN(9)
					var b store.Booking
					b, err = st.BookOffer(t.Context(), call(ours), store.NewBooking{PatientID: patients[op.room], Visits: []store.NewVisit{{Place: store.Place{
						Start: at(5 * op.from), End: at(5 * op.to), Spans: []store.Span{{ResourceRef: rooms[op.room], Start: at(5 * op.from), End: at(5 * op.to)}}}}}})
					if err == nil {
						held = append(held, mine{b.Appointments[0].ID, op})
					}
				}
				answer := answered
				switch {
				case errors.Is(err, store.ErrTaken):
					answer = refused
				case errors.Is(err, store.ErrBusy):
					answer = unknown
				case err != nil:
					t.Errorf("client %d: %v", c, err)
					return
				}
				done := porcupine.Operation{ClientId: c, Input: op, Output: answer, Call: began, Return: clock.Add(1)}
				mu.Lock()
				all = append(all, done)
				mu.Unlock()
			}
		})
	}
	wg.Wait()
	return all
}

// TestHistory records what many clients asked and heard and looks for an order
// in which a single diary would have answered the same. With the schema's
// refusal removed there must be none.
func TestHistory(t *testing.T, backend Backend, replicas int) {
	for _, guarded := range []bool{true, false} {
		t.Run(fmt.Sprintf("guarded=%v", guarded), func(t *testing.T) {
			s := newSurgery(newBench(t, backend), ours)
			if !guarded {
				dropGuard(s)
			}
			stores := []*store.Store{s.s}
			for len(stores) < replicas {
				stores = append(stores, OpenPlace(t, s.bench.place, s.clock))
			}
			ops := history(t, stores, s, 8, 30)
			got := porcupine.CheckOperationsTimeout(roomModel, ops, checkTimeout)
			want := porcupine.Ok
			if !guarded {
				want = porcupine.Illegal
			}
			if got != want {
				t.Errorf("%d operations: the checker says %s, want %s", len(ops), got, want)
			}
		})
	}
}

// dropGuard removes what keeps two of our bookings apart.
func dropGuard(s *surgery) {
	s.Helper()
	drop := []string{"DROP TRIGGER spans_taken_i", "DROP TRIGGER spans_taken_u"}
	if s.s.Postgres() {
		drop = []string{"ALTER TABLE spans DROP CONSTRAINT spans_taken"}
	}
	raw := s.bench.place.Raw(s.T)
	for _, text := range drop {
		_, err := raw.ExecContext(s.ctx, text)
		s.must(err)
	}
}
