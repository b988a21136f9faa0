package anatomy

import (
	"fmt"
	"strings"

	"github.com/visitwright/visitwright/planner/provenance"
	"github.com/visitwright/visitwright/planner/tooth"
)

type canalRow struct {
	kinds   []tooth.Kind
	shape   Shape
	n       int
	names   []string
	further string // short name of the canal that comes when there are n and not n-1
	words   string
	mark    provenance.Mark
}

func readCanals(r *record) canalRow {
	row := canalRow{
		kinds: r.kinds(), shape: r.shape(), n: r.whole("n", 1, Most),
		names: strings.Fields(r.text("names")), further: r.text("further"), words: r.text("words"),
		mark: r.mark("mark", "source"),
	}
	if len(row.names) != row.n {
		r.fail("names", fmt.Sprintf("%d names", row.n))
	}
	found := false
	for _, name := range row.names {
		found = found || name == row.further
	}
	if !found {
		r.fail("further", "one of the names")
	}
	return row
}

// Further is the canal that a tooth with n canals has and one with n-1 has not.
type Further struct {
	Name  string // short, "DL"
	Words string // "second distal canal"
	Mark  provenance.Mark
}

func canalsOf(kind tooth.Kind, n int, shape Shape) (canalRow, error) {
	if shape == "" {
		shape = Usual
	}
	row, err := PriorOf(kind, shape) // refuses kinds and shapes that do not exist
	if err != nil {
		return canalRow{}, err
	}
	if most := row.MostOf(); n < 1 || n > most {
		return canalRow{}, impossible(kind, shape, "canals", n, most)
	}
	for _, c := range shipped().canals {
		if c.shape == shape && c.n == n {
			for _, k := range c.kinds {
				if k == kind {
					return c, nil
				}
			}
		}
	}
	return canalRow{}, fmt.Errorf("names of %d canals of the %s, %s: the data file has none", n, kind.Words(), shape.Words())
}

// Names are the canals of a tooth with n canals to treat, in the order in
// which they are usually treated. The error says which counts are possible.
func Names(kind tooth.Kind, n int, shape Shape) ([]string, error) {
	c, err := canalsOf(kind, n, shape)
	if err != nil {
		return nil, err
	}
	return append([]string(nil), c.names...), nil
}

// FurtherCanal names the canal that comes when there are n and not n-1.
func FurtherCanal(kind tooth.Kind, n int, shape Shape) (Further, error) {
	c, err := canalsOf(kind, n, shape)
	if err != nil {
		return Further{}, err
	}
	return Further{Name: c.further, Words: c.words, Mark: c.mark}, nil
}

// Sequence names the canals when so many are expected and up to most may turn
// up: the expected ones in order of treatment, then each further one.
func Sequence(kind tooth.Kind, shape Shape, expected, most int) ([]string, error) {
	names, err := Names(kind, expected, shape)
	if err != nil {
		return nil, err
	}
	for n := expected + 1; n <= most; n++ {
		f, err := FurtherCanal(kind, n, shape)
		if err != nil {
			return nil, err
		}
		names = append(names, f.Name)
	}
	return names, nil
}
