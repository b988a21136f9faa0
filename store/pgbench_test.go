package store

import (
	"context"
	"fmt"
	"strconv"
	"sync"
	"testing"
	"time"

	"github.com/visitwright/visitwright/store/pgtest"
)

// beside is how long each side runs for one figure, twice in turn.
const beside = 2 * time.Second

// BenchmarkBookingBesidePgbench books visits (room, nurse, patient; nothing
// collides) with 1, 8 and 16 clients, beside pgbench -M prepared that runs the
// store's own statements of the same booking, on the same server in the same run:
//
//	go test ./store/ -run xxx -bench BesidePgbench -benchtime 1x
func BenchmarkBookingBesidePgbench(b *testing.B) {
	server, err := pgtest.Start(pgtest.Options{Durable: true})
	if err != nil {
		b.Fatal(err)
	}
	defer server.Close()
	if err := server.CreateDatabase("beside", ""); err != nil {
		b.Fatal(err)
	}
	keys, err := ParseKeys([]byte("key 1 " + keyA))
	if err != nil {
		b.Fatal(err)
	}
	s, err := Open(context.Background(), Config{Database: server.URL("beside"), Keys: keys})
	if err != nil {
		b.Fatal(err)
	}
	defer func() { _ = s.Close() }()
	for _, clients := range []int{1, 8, 16} {
		b.Run("clients="+strconv.Itoa(clients), func(b *testing.B) {
			for n := range b.N {
				k := newBesideRun(b, s, fmt.Sprintf("p%d-%d", clients, n))
				var ours, theirs float64
				for round := range 2 {
					ours += k.book(b, clients, round) / 2
					theirs += k.pgbench().Rate(b, server, "beside", clients, round, int(beside.Seconds())) / 2
				}
				b.ReportMetric(ours, "booked/s")
				b.ReportMetric(theirs, "pgbench/s")
				b.ReportMetric(100*ours/theirs, "%")
			}
		})
	}
}

type besideRun struct {
	s       *Store
	call    Call
	refs    []ResourceRef
	patient string
}

func newBesideRun(b *testing.B, s *Store, practice string) besideRun {
	b.Helper()
	k := besideRun{s: s, call: Call{Practice: practice, Actor: "t", Role: RoleReception, Method: "/visitwright.v1.DiaryService/BookOffer"}}
	_, err := s.CreatePractice(b.Context(), NewPractice{ID: practice, Name: "x", Zone: "UTC", Tokens: []Token{{ID: "t", Role: RoleManager}}})
	if err != nil {
		b.Fatal(err)
	}
	for _, kind := range []ResourceKind{KindRoom, KindNurse} {
		r, err := s.PutResource(b.Context(), k.call, Resource{ResourceRef: ResourceRef{Kind: kind}, Name: "x", Active: true})
		if err != nil {
			b.Fatal(err)
		}
		k.refs = append(k.refs, r.ResourceRef)
	}
	p, err := s.CreatePatient(b.Context(), k.call, Patient{Reference: "a"})
	if err != nil {
		b.Fatal(err)
	}
	k.patient = p.ID
	return k
}

// besideSlots are the years of each side, client and round.
var besideSlots = pgtest.Slots{From: time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC), PerClient: 2_000, Rounds: 2}

func (k besideRun) pgbench() pgtest.Booking {
	return pgtest.Booking{Statements: PostgresStatements(), Practice: k.call.Practice, Patient: k.patient, Refs: []string{k.refs[0].ref(), k.refs[1].ref()},
		Method: k.call.Method, Slots: besideSlots, Side: 1}
}

func (k besideRun) book(b *testing.B, clients, round int) float64 {
	b.Helper()
	var mu sync.Mutex
	total := 0
	began := time.Now()
	var wg sync.WaitGroup
	for c := range clients {
		wg.Go(func() {
			n := 0
			for at := besideSlots.Start(0, clients, c, round); time.Since(began) < beside && n < besideSlots.PerClient; n++ {
				v := NewVisit{Place: Place{Start: at, End: at.Add(15 * time.Minute), Zone: "UTC"}}
				for _, r := range k.refs {
					v.Spans = append(v.Spans, Span{r, at, at.Add(15 * time.Minute)})
				}
				if _, err := k.s.BookOffer(b.Context(), k.call, NewBooking{PatientID: k.patient, Visits: []NewVisit{v}}); err != nil {
					b.Errorf("our side: %v", err)
					return
				}
				at = at.Add(15 * time.Minute)
			}
			mu.Lock()
			defer mu.Unlock()
			total += n
		})
	}
	wg.Wait()
	return float64(total) / time.Since(began).Seconds()
}
