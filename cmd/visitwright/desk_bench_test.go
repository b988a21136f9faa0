//go:build !race

// The race detector slows a real browser and the play of a whole practice down
// out of proportion: .ci/test runs these without it, in a step of their own.

package main

import (
	"strings"
	"testing"
	"time"
)

// What a page of the desk may cost: time on the server, from the request to the
// last byte, calls to the service included; and bytes over the wire.
const (
	pageWithin = 50 * time.Millisecond
	pageBytes  = 100 << 10
)

// BenchmarkDeskPage reads every kind of page of the demo practice, and a day of
// 20 rooms and 200 appointments, over real HTTP with compression. It prints
// milliseconds and kilobytes of each page, and the slowest and the heaviest of
// all with what they may be.
func BenchmarkDeskPage(b *testing.B) {
	b.Run("demo", func(b *testing.B) {
		r := openDemoRig(b)
		pages := map[string]string{}
		for _, role := range deskRoles {
			r.signIn(role).kindsOfPages(func(at string, _ *deskPage) {
				if kind := identifierInPath.ReplaceAllString(at, "/one$2"); pages[kind] == "" {
					pages[kind] = role + " " + at
				}
			})
		}
		benchPages(b, r, pages)
	})
	b.Run("full-day", func(b *testing.B) {
		r := openDeskRig(b, nil, monday)
		r.fillDay(20, 10)
		benchPages(b, r, map[string]string{"day of 20 rooms and 200 appointments": "reception /day/2027-03-02", "its week": "reception /week/2027-03-02", "opening page beside it": "reception /"})
	})
}

// benchPages reads each page several times and reports the worst of the means.
func benchPages(b *testing.B, r *deskRig, pages map[string]string) {
	visitors := map[string]*deskVisitor{}
	for _, role := range deskRoles {
		visitors[role] = r.signIn(role)
	}
	var slowest time.Duration
	var heaviest int
	var slow, heavy string
	for b.Loop() {
		for kind, where := range pages {
			role, at, _ := strings.Cut(where, " ")
			const times = 5
			began := time.Now()
			size := 0
			for range times {
				if r.clock != nil { // the demo's ticks by itself
					r.clock.move(time.Second) // no token may call faster than the service allows
				}
				body, _ := visitors[role].wire(at)
				size = len(body)
			}
			mean := time.Since(began) / times
			if mean > slowest {
				slowest, slow = mean, kind
			}
			if size > heaviest {
				heaviest, heavy = size, kind
			}
			b.Logf("%7.1f ms %7.1f KB  %s %s", float64(mean.Microseconds())/1000, float64(size)/1024, role, kind)
		}
	}
	b.ReportMetric(float64(slowest.Microseconds())/1000, "ms-slowest-page")
	b.ReportMetric(float64(heaviest)/1024, "KB-heaviest-page")
	b.Logf("slowest %s: %v of %v; heaviest %s: %d of %d bytes; %d pages", slow, slowest, pageWithin, heavy, heaviest, pageBytes, len(pages))
}
