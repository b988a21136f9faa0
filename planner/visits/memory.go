package visits

import (
	"sync"

	"github.com/visitwright/visitwright/planner/chairtime"
)

// memory is working space that solving takes and gives back, so that one plan
// after another allocates little. What it hands out is valid until reset.
type memory struct {
	cells  []float64
	used   int
	lanes  []lane
	handed int

	space         chairtime.Convolver
	part, checked lane // of one step
}

var memories = sync.Pool{New: func() any { return new(memory) }}

// reset takes everything back.
func (m *memory) reset() {
	m.used = 0
	for i := range m.lanes[:m.handed] {
		m.lanes[i].reset()
	}
	m.handed = 0
}

// matrix hands out rows of cells; their content is arbitrary.
func (m *memory) matrix(rows, columns int) [][]float64 {
	n := rows * columns
	if m.used+n > len(m.cells) {
		m.cells = make([]float64, max(n, 2*len(m.cells), 1<<16))
		m.used = 0
	}
	slab := m.cells[m.used : m.used+n]
	m.used += n
	t := make([][]float64, rows)
	for i := range t {
		t[i] = slab[i*columns : (i+1)*columns : (i+1)*columns]
	}
	return t
}

// zeros hands out rows of zeros.
func (m *memory) zeros(rows, columns int) [][]float64 {
	t := m.matrix(rows, columns)
	for _, row := range t {
		clear(row)
	}
	return t
}

// grid hands out rows of empty lanes.
func (m *memory) grid(rows, columns int) [][]lane {
	n := rows * columns
	if m.handed+n > len(m.lanes) {
		// The lanes handed out before stay with their holders and are dropped.
		m.lanes = make([]lane, max(n, 2*len(m.lanes)))
		m.handed = 0
	}
	slab := m.lanes[m.handed : m.handed+n]
	m.handed += n
	out := make([][]lane, rows)
	for i := range out {
		out[i] = slab[i*columns : (i+1)*columns : (i+1)*columns]
	}
	return out
}

// arena hands out cells that stay as long as it does, or until it is emptied.
type arena struct {
	chunk []float64
	used  int
}

const (
	arenaCells = 1 << 14
	mostCells  = 1 << 18
)

// take hands out n cells; their content is arbitrary.
func (a *arena) take(n int) []float64 {
	if a.used+n > len(a.chunk) {
		a.chunk, a.used = make([]float64, max(n, arenaCells, min(2*len(a.chunk), mostCells))), 0
	}
	a.used += n
	return a.chunk[a.used-n : a.used : a.used]
}

// empty takes back what was handed out.
func (a *arena) empty() { a.used = 0 }

// keep hands out a copy.
func (a *arena) keep(cells []float64) []float64 {
	out := a.take(len(cells))
	copy(out, cells)
	return out
}
