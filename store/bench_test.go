package store_test

import (
	"context"
	"fmt"
	"path/filepath"
	"sync/atomic"
	"testing"
	"time"

	"github.com/visitwright/visitwright/store"
	"github.com/visitwright/visitwright/store/pgtest"
	"github.com/visitwright/visitwright/store/storetest"
)

const benchPractice = "willow-lane"

var benchCall = store.Call{Practice: benchPractice, Actor: "t", Role: store.RoleReception, Method: "/bench/Method"}

// benchStores are an embedded file and a PostgreSQL, both waiting for the disk.
func benchStores(b *testing.B) map[string]func(b *testing.B) *store.Store {
	open := func(b *testing.B, database string) *store.Store {
		c := store.Config{Database: database, Keys: storetest.TestKeys(b), Clock: time.Now}
		s, err := store.Open(context.Background(), c)
		if err != nil {
			b.Fatal(err)
		}
		b.Cleanup(func() { _ = s.Close() })
		storetest.CreatePractice(b, s, benchPractice)
		return s
	}
	return map[string]func(b *testing.B) *store.Store{
		"sqlite": func(b *testing.B) *store.Store { return open(b, filepath.Join(b.TempDir(), "bench.db")) },
		"postgres": func(b *testing.B) *store.Store {
			server, err := pgtest.Start(pgtest.Options{Durable: true})
			if err != nil {
				b.Fatal(err)
			}
			b.Cleanup(server.Close)
			if err := server.CreateDatabase("bench", ""); err != nil {
				b.Fatal(err)
			}
			return open(b, server.URL("bench"))
		},
	}
}

// BenchmarkGetPatient reads one of a thousand patients with its seal and its
// audit entry.
func BenchmarkGetPatient(b *testing.B) {
	for name, open := range benchStores(b) {
		b.Run(name, func(b *testing.B) {
			s := open(b)
			ids := make([]string, 1000)
			for i := range ids {
				p, err := s.CreatePatient(b.Context(), benchCall, store.Patient{Reference: fmt.Sprint(i), Contact: store.Contact{Label: "Some One", Phone: "+43 1 5550100"}})
				if err != nil {
					b.Fatal(err)
				}
				ids[i] = p.ID
			}
			i := 0
			for b.Loop() {
				i++
				if _, err := s.GetPatient(b.Context(), benchCall, ids[i%len(ids)]); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}

// BenchmarkBookOffer books one visit with room, clinician, nurse and patient,
// without conflicts, from 1 and 8 clients.
func BenchmarkBookOffer(b *testing.B) {
	for name, open := range benchStores(b) {
		for _, clients := range []int{1, 8} {
			b.Run(fmt.Sprintf("%s/clients=%d", name, clients), func(b *testing.B) {
				s := open(b)
				var refs []store.ResourceRef
				for _, kind := range []store.ResourceKind{store.KindRoom, store.KindNurse} {
					r, err := s.PutResource(b.Context(), benchCall, store.Resource{ResourceRef: store.ResourceRef{Kind: kind}, Name: "x", Active: true})
					if err != nil {
						b.Fatal(err)
					}
					refs = append(refs, r.ResourceRef)
				}
				p, err := s.CreatePatient(b.Context(), benchCall, store.Patient{Reference: "a"})
				if err != nil {
					b.Fatal(err)
				}
				var n atomic.Int64
				first := time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC)
				b.SetParallelism(clients) // times GOMAXPROCS
				b.ResetTimer()
				b.RunParallel(func(pb *testing.PB) {
					for pb.Next() {
						from := first.Add(time.Duration(n.Add(1)) * 15 * time.Minute)
						v := store.NewVisit{Place: store.Place{Start: from, End: from.Add(15 * time.Minute)}}
						for _, r := range refs {
							v.Spans = append(v.Spans, store.Span{ResourceRef: r, Start: from, End: from.Add(15 * time.Minute)})
						}
						if _, err := s.BookOffer(b.Context(), benchCall, store.NewBooking{PatientID: p.ID, Visits: []store.NewVisit{v}}); err != nil {
							b.Error(err)
							return
						}
					}
				})
				b.ReportMetric(float64(b.N)/b.Elapsed().Seconds(), "bookings/s")
			})
		}
	}
}

// BenchmarkReadDaysCold reads a year of masks of 34 resources, as a server does
// that has none in memory.
func BenchmarkReadDaysCold(b *testing.B) {
	for name, open := range benchStores(b) {
		b.Run(name, func(b *testing.B) {
			s := open(b)
			var refs []store.ResourceRef
			for i := range 34 {
				r, err := s.PutResource(b.Context(), benchCall, store.Resource{ResourceRef: store.ResourceRef{Kind: store.KindRoom}, Name: fmt.Sprint(i), Active: true})
				if err != nil {
					b.Fatal(err)
				}
				refs = append(refs, r.ResourceRef)
			}
			first := time.Date(2026, 1, 1, 8, 0, 0, 0, time.UTC)
			for day := range 365 {
				var items []store.ExternalAppointment
				for i, r := range refs {
					from := first.AddDate(0, 0, day)
					items = append(items, store.ExternalAppointment{Key: store.ExternalID{System: "b", Value: fmt.Sprint(day, "-", i)},
						Start: from, End: from.Add(9 * time.Hour), Spans: []store.Span{{ResourceRef: r, Start: from, End: from.Add(9 * time.Hour)}}})
				}
				if _, err := s.TakeIn(b.Context(), benchCall, items); err != nil {
					b.Fatal(err)
				}
			}
			day := first.Unix() / 86400
			b.ResetTimer()
			for b.Loop() {
				got, err := s.ReadDays(b.Context(), benchCall, day, day+364, 0)
				if err != nil || len(got.Days) != 365 || len(got.Days[0].Masks) != len(refs) {
					b.Fatalf("%d days, %v", len(got.Days), err)
				}
			}
		})
	}
}

// BenchmarkTakeIn takes in ten thousand appointments of another system, new and
// then unchanged.
func BenchmarkTakeIn(b *testing.B) {
	for name, open := range benchStores(b) {
		b.Run(name, func(b *testing.B) {
			s := open(b)
			r, err := s.PutResource(b.Context(), benchCall, store.Resource{ResourceRef: store.ResourceRef{Kind: store.KindRoom}, Name: "x", Active: true})
			if err != nil {
				b.Fatal(err)
			}
			const many = 10_000
			first := time.Date(2026, 1, 1, 8, 0, 0, 0, time.UTC)
			run := 0
			for b.Loop() {
				run++
				items := make([]store.ExternalAppointment, many)
				for i := range items {
					from := first.AddDate(0, 0, i/40).Add(time.Duration(i%40) * 15 * time.Minute)
					items[i] = store.ExternalAppointment{Key: store.ExternalID{System: "b", Value: fmt.Sprint(run, "-", i)}, Start: from, End: from.Add(15 * time.Minute),
						Spans: []store.Span{{ResourceRef: r.ResourceRef, Start: from, End: from.Add(15 * time.Minute)}}}
				}
				for _, metric := range []string{"s/new-10000", "s/unchanged-10000"} {
					began := time.Now()
					for i := 0; i < many; i += store.MaxTakeIn {
						if _, err := s.TakeIn(b.Context(), benchCall, items[i:i+store.MaxTakeIn]); err != nil {
							b.Fatal(err)
						}
					}
					b.ReportMetric(time.Since(began).Seconds(), metric)
				}
			}
		})
	}
}
