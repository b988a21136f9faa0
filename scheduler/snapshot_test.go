package scheduler

import (
	"testing"
	"time"

	"pgregory.net/rapid"

	"github.com/visitwright/visitwright/store"
)

// What the store holds as taken is taken for the search, to the cell: an offer
// never lies over a booking.
func TestEveryTakenCellOfADayIsTakenForTheSearch(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		var m store.Mask
		for n := rapid.IntRange(0, 12).Draw(t, "bookings"); n > 0; n-- {
			from := rapid.IntRange(0, store.CellsPerDay-1).Draw(t, "from")
			for i := from; i < min(store.CellsPerDay, from+rapid.IntRange(1, 30).Draw(t, "cells")); i++ {
				m[i>>3] |= 1 << (i & 7)
			}
		}
		const day = 20000
		var taken store.Mask
		for _, h := range addHolds(nil, day, store.ResourceRef{Kind: store.KindRoom, ID: "r"}, &m) {
			for at := h.Time.Start; at.Before(h.Time.End); at = at.Add(store.CellMinutes * time.Minute) {
				i := int(at.Unix()-day*86400) / 60 / store.CellMinutes
				taken[i>>3] |= 1 << (i & 7)
			}
		}
		for i := range store.CellsPerDay {
			if m.Busy(i) != taken.Busy(i) {
				t.Fatalf("cell %d: the store has it taken %v, the search %v", i, m.Busy(i), taken.Busy(i))
			}
		}
	})
}
