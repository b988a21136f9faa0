// Command ratios reads the output of `go test -bench` and prints, for every
// benchmark with a sub-benchmark "ours", how many times longer or shorter each
// of its neighbours takes in the same run. Repetitions are reduced to their
// median; the spread is the half range around it.
package main

import (
	"bufio"
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

func write(out io.Writer, list []*benchmark) {
	base := map[string]*benchmark{}
	for _, b := range list {
		if g, side := b.group(); side == ours {
			base[b.pkg+g] = b
		}
	}
	w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "\nroom\tbenchmark\ttime\t±\tallocs\ttimes ours")
	for _, b := range list {
		if len(b.ns) == 0 {
			continue
		}
		g, _ := b.group()
		ratio := ""
		if o := base[b.pkg+g]; o != nil {
			ratio = fmt.Sprintf("%.2f", median(b.ns)/median(o.ns))
		}
		fmt.Fprintf(w, "%s\t%s\t%v\t%.0f %%\t%.0f\t%s\n", room(b.pkg), b.name,
			time.Duration(median(b.ns)).Round(10), spread(b.ns), median(b.extra["allocs/op"]), ratio)
	}
	w.Flush()
}

func main() {
	list, err := read(os.Stdin)
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	write(os.Stdout, list)
}
