package anatomy

import (
	"embed"
	"encoding/csv"
	"fmt"
	"path"
	"strconv"
	"strings"
	"sync"

	"github.com/visitwright/visitwright/planner/provenance"
	"github.com/visitwright/visitwright/planner/tooth"
)

//go:embed data
var files embed.FS

// tables are the figures that ship, read once.
type tables struct {
	counts      []Row
	types       []typeRow
	shapes      []ShapeRow
	canals      []canalRow
	routine     map[tooth.Kind]routineRow
	lengths     map[tooth.Kind]Length
	lengthRules map[string]lengthRule
	signs       []signRow
	signRules   map[string]signRule
}

// The tables are part of the program: a row that cannot be read is a fault of
// the build, which the tests of this package catch.
var shipped = sync.OnceValue(func() *tables {
	t, err := readTables()
	if err != nil {
		panic("anatomy data files: " + err.Error())
	}
	return t
})

// record is one row of a data file, by column name.
type record struct {
	file string
	line int
	cell map[string]string
	err  error // the first cell that could not be read
}

func (r *record) fail(column, want string) {
	if r.err == nil {
		r.err = fmt.Errorf("%s line %d, %s %q: want %s", r.file, r.line, column, r.cell[column], want)
	}
}

func (r *record) text(column string) string {
	v, ok := r.cell[column]
	if !ok {
		r.fail(column, "the column to exist")
	}
	return v
}

func (r *record) number(column string, least, most float64) float64 {
	v, err := strconv.ParseFloat(r.text(column), 64)
	if err != nil || v < least || v > most {
		r.fail(column, fmt.Sprintf("a number from %g to %g", least, most))
	}
	return v
}

func (r *record) whole(column string, least, most int) int {
	v, err := strconv.Atoi(r.text(column))
	if err != nil || v < least || v > most {
		r.fail(column, fmt.Sprintf("a whole number from %d to %d", least, most))
	}
	return v
}

// optional reads an empty cell as absent.
func (r *record) optional(column string, least, most float64) (float64, bool) {
	if r.text(column) == "" {
		return 0, false
	}
	return r.number(column, least, most), true
}

// percent reads a percentage as a share of one.
func (r *record) percent(column string) float64 { return r.number(column, 0, 100) / 100 }

func (r *record) mark(kind, source string) provenance.Mark {
	m := provenance.Mark{Kind: provenance.Kind(r.text(kind)), Source: r.text(source)}
	if err := m.Validate(); err != nil {
		r.fail(kind, err.Error())
	}
	return m
}

func (r *record) kind() tooth.Kind {
	k := tooth.Kind(r.text("kind"))
	if !k.Valid() {
		r.fail("kind", "one of the 16 kinds of tooth")
	}
	return k
}

// kinds reads patterns such as "mandibular-*-premolar mandibular-canine".
func (r *record) kinds() []tooth.Kind {
	var out []tooth.Kind
	for _, pattern := range strings.Fields(r.text("kinds")) {
		found := false
		for _, k := range tooth.Kinds() {
			if ok, err := path.Match(pattern, string(k)); err == nil && ok {
				out = append(out, k)
				found = true
			}
		}
		if !found {
			r.fail("kinds", "patterns that fit a kind of tooth")
		}
	}
	return out
}

func (r *record) shape() Shape {
	s := Shape(r.text("shape"))
	if !s.valid() {
		r.fail("shape", "usual, c-shaped or distolingual-root")
	}
	return s
}

// readRows gives each row of a data file to use.
func readRows(name string, use func(*record)) error {
	f, err := files.Open("data/" + name)
	if err != nil {
		return err
	}
	defer f.Close()
	reader := csv.NewReader(f)
	reader.Comment = '#'
	header, err := reader.Read()
	if err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	all, err := reader.ReadAll()
	if err != nil {
		return fmt.Errorf("%s: %w", name, err)
	}
	for i, row := range all {
		r := &record{file: name, line: i + 1, cell: make(map[string]string, len(header))}
		for j, column := range header {
			r.cell[column] = row[j]
		}
		use(r)
		if r.err != nil {
			return r.err
		}
	}
	return nil
}

func readTables() (*tables, error) {
	t := &tables{
		routine:     map[tooth.Kind]routineRow{},
		lengths:     map[tooth.Kind]Length{},
		lengthRules: map[string]lengthRule{},
		signRules:   map[string]signRule{},
	}
	for _, read := range []struct {
		name string
		use  func(*record)
	}{
		{"counts.csv", func(r *record) { t.counts = append(t.counts, readCounts(r)) }},
		{"types.csv", func(r *record) { t.types = append(t.types, readTypes(r)) }},
		{"shapes.csv", func(r *record) { t.shapes = append(t.shapes, readShape(r)) }},
		{"canals.csv", func(r *record) { t.canals = append(t.canals, readCanals(r)) }},
		{"routine.csv", func(r *record) {
			t.routine[r.kind()] = routineRow{canals: r.whole("routine", 1, Most), mark: r.mark("mark", "source")}
		}},
		{"lengthrules.csv", func(r *record) {
			t.lengthRules[r.text("rule")] = lengthRule{mm: r.number("mm", 0, 40), mark: r.mark("mark", "source")}
		}},
		{"lengths.csv", func(r *record) { t.lengths[r.kind()] = t.readLength(r) }},
		{"signs.csv", func(r *record) { t.signs = append(t.signs, readSign(r)) }},
		{"signrules.csv", func(r *record) {
			t.signRules[r.text("rule")] = signRule{share: r.percent("percent"), mark: r.mark("mark", "source")}
		}},
	} {
		if err := readRows(read.name, read.use); err != nil {
			return nil, err
		}
	}
	return t, nil
}
