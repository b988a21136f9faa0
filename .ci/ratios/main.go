// Command ratios reads the output of `go test -bench` and prints how many times
// longer each sub-benchmark takes than the one named "ours" beside it, or than
// the first where none is. Repetitions are reduced to their median; the spread
// is the half range around it. With -markdown it prints a Markdown table.
package main

import (
	"bufio"
	"flag"
	"fmt"
	"io"
	"os"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"
)

// ours is the name of the sub-benchmark that others are compared with.
const ours = "ours"

// benchmark is the medians of one benchmark's repetitions.
type benchmark struct {
	pkg, name string
	ns        []float64
	extra     map[string][]float64 // unit -> values, for reported metrics
}

func (b *benchmark) group() (group, side string) {
	i := strings.LastIndex(b.name, "/")
	if i < 0 {
		return b.name, ""
	}
	return b.name[:i], b.name[i+1:]
}

var line = regexp.MustCompile(`^(Benchmark\S+?)(?:-\d+)?\s+\d+\s+(.*)$`)

func read(in io.Reader) ([]*benchmark, error) {
	var list []*benchmark
	index := map[string]*benchmark{}
	pkg := ""
	scan := bufio.NewScanner(in)
	scan.Buffer(nil, 1<<20)
	for scan.Scan() {
		text := scan.Text()
		if p, ok := strings.CutPrefix(text, "pkg: "); ok {
			pkg = p
			continue
		}
		m := line.FindStringSubmatch(text)
		if m == nil {
			continue
		}
		b := index[pkg+m[1]]
		if b == nil {
			b = &benchmark{pkg: pkg, name: strings.TrimPrefix(m[1], "Benchmark"), extra: map[string][]float64{}}
			index[pkg+m[1]] = b
			list = append(list, b)
		}
		fields := strings.Fields(m[2])
		for i := 0; i+1 < len(fields); i += 2 {
			v, err := strconv.ParseFloat(fields[i], 64)
			if err != nil {
				return nil, fmt.Errorf("%q: %w", text, err)
			}
			if fields[i+1] == "ns/op" {
				b.ns = append(b.ns, v)
				continue
			}
			b.extra[fields[i+1]] = append(b.extra[fields[i+1]], v)
		}
	}
	return list, scan.Err()
}

func median(v []float64) float64 {
	v = slices.Clone(v)
	slices.Sort(v)
	n := len(v)
	if n == 0 {
		return 0
	}
	return (v[(n-1)/2] + v[n/2]) / 2
}

// spread is half the range in per cent of the median.
func spread(v []float64) float64 {
	return 100 * (slices.Max(v) - slices.Min(v)) / 2 / median(v)
}

func room(pkg string) string {
	_, after, ok := strings.Cut(pkg, "/visitwright/visitwright")
	if !ok || after == "" {
		return pkg
	}
	return after[1:]
}

// rows are the cells of the table, the header first.
func rows(list []*benchmark) [][]string {
	base := map[string]*benchmark{}
	members := map[string]int{}
	for _, b := range list {
		g, side := b.group()
		members[b.pkg+g]++
		if base[b.pkg+g] == nil || side == ours {
			base[b.pkg+g] = b
		}
	}
	table := [][]string{{"room", "benchmark", "time", "±", "allocs", "ratio", "also"}}
	for _, b := range list {
		if len(b.ns) == 0 {
			continue
		}
		g, _ := b.group()
		ratio := ""
		if o := base[b.pkg+g]; members[b.pkg+g] > 1 {
			ratio = fmt.Sprintf("%.2f", median(b.ns)/median(o.ns))
		}
		table = append(table, []string{room(b.pkg), b.name, rounded(median(b.ns)),
			fmt.Sprintf("%.0f %%", spread(b.ns)), fmt.Sprintf("%.0f", median(b.extra["allocs/op"])), ratio, b.reported()})
	}
	return table
}

// rounded prints nanoseconds with three figures or so.
func rounded(ns float64) string {
	d := time.Duration(ns)
	for unit := time.Second; unit >= time.Microsecond; unit /= 1000 {
		if d >= unit {
			return d.Round(unit / 100).String()
		}
	}
	return fmt.Sprintf("%.1fns", ns)
}

// reported are the metrics that the benchmark itself reports.
func (b *benchmark) reported() string {
	var parts []string
	for unit, values := range b.extra {
		if unit != "allocs/op" && unit != "B/op" {
			parts = append(parts, fmt.Sprintf("%.4g %s", median(values), unit))
		}
	}
	slices.Sort(parts)
	return strings.Join(parts, ", ")
}

func write(out io.Writer, list []*benchmark, markdown bool) {
	table := rows(list)
	if markdown {
		for i, cells := range table {
			fmt.Fprintf(out, "| %s |\n", strings.Join(cells, " | "))
			if i == 0 {
				fmt.Fprintf(out, "|%s\n", strings.Repeat(" --- |", len(cells)))
			}
		}
		return
	}
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	for _, cells := range table {
		fmt.Fprintln(w, strings.TrimRight(strings.Join(cells, "\t"), "\t"))
	}
	if err := w.Flush(); err != nil {
		fmt.Fprintln(os.Stderr, err)
	}
}

func main() {
	markdown := flag.Bool("markdown", false, "print a Markdown table")
	flag.Parse()
	list, err := read(os.Stdin)
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	write(os.Stdout, list, *markdown)
}
