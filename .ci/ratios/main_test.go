package main

import (
	"strings"
	"testing"
)

func TestNeighboursAreComparedWithOursInTheSameRun(t *testing.T) {
	list, err := read(strings.NewReader(`goos: linux
pkg: github.com/visitwright/visitwright/planner/visits
BenchmarkPlan/ours-2      100   1000 ns/op   16 B/op   2 allocs/op
BenchmarkPlan/ours-2      100   3000 ns/op   16 B/op   2 allocs/op
BenchmarkPlan/ours-2      100   2000 ns/op   16 B/op   2 allocs/op
BenchmarkPlan/sampling-2    2   500000 ns/op   0 B/op   0 allocs/op
BenchmarkAlone-2    2   5 ns/op   12 scan-us   0 B/op   0 allocs/op
BenchmarkRead/full-chain-2    2   900 ns/op
BenchmarkRead/echo-2    2   300 ns/op
ok  	github.com/visitwright/visitwright/planner/visits	1.0s
`))
	if err != nil {
		t.Fatal(err)
	}
	var out strings.Builder
	write(&out, list, false)
	for _, want := range []string{"Plan/ours        2µs      50 %  2       1.00", "250.00", "12 scan-us", "0.33"} {
		if !strings.Contains(out.String(), want) {
			t.Errorf("want %q in\n%s", want, out.String())
		}
	}
}
