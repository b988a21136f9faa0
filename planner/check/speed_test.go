package check

import (
	"fmt"
	"testing"

	"github.com/visitwright/visitwright/planner/check/obtain"
)

// accurate is the number of courses that gives an even chance with a standard
// error of 0.001: sqrt(.5*.5/250000).
const accurate = 250_000

// molar is the case that speed is measured on, and the answer for each way.
func molar(b *testing.B) (*obtain.Molar, *Treatment, []*Booking) {
	b.Helper()
	m, err := obtain.NewMolar()
	if err != nil {
		b.Fatal(err)
	}
	model, err := m.JSON()
	if err != nil {
		b.Fatal(err)
	}
	t, err := ReadTreatment(model)
	if err != nil {
		b.Fatal(err)
	}
	var bookings []*Booking
	for k := 1; k <= obtain.Ways; k++ {
		solved, err := obtain.Solved(model, []byte(fmt.Sprintf(`{"earliest_completion":%d}`, k)))
		if err != nil {
			b.Fatal(err)
		}
		a, err := ReadAnswer(solved)
		if err != nil {
			b.Fatal(err)
		}
		bookings = append(bookings, a.Booking())
	}
	return m, t, bookings
}

// The chair-time distribution of one case, four canals possible, against
// sampling it to a standard error of 0.001.
func BenchmarkDistribution(b *testing.B) {
	m, t, _ := molar(b)
	b.Run("ours", func(b *testing.B) {
		for b.Loop() {
			if err := m.Distribution(); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("sampling", func(b *testing.B) {
		for b.Loop() {
			SimulateOneGo(t, 1, accurate, Unrounded)
		}
	})
}

// The full plan: three options, four canals, all odds, lengths optimised. The
// sampling beside it only evaluates the three answers to a standard error of
// 0.001, with their lengths and tables given: finding them by sampling would
// take as much again for every length and entry tried.
func BenchmarkPlan(b *testing.B) {
	m, t, bookings := molar(b)
	b.Run("ours", func(b *testing.B) {
		for b.Loop() {
			if err := m.Plan(); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("ours with tables kept", func(b *testing.B) {
		if err := m.PlanAgain(); err != nil {
			b.Fatal(err)
		}
		for b.Loop() {
			if err := m.PlanAgain(); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("sampling", func(b *testing.B) {
		for b.Loop() {
			for _, k := range bookings {
				if _, err := Simulate(t, k, 1, accurate, Unrounded); err != nil {
					b.Fatal(err)
				}
			}
		}
	})
}
