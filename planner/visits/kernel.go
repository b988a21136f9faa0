package visits

import (
	"math"

	"github.com/visitwright/visitwright/planner/chairtime"
)

// perMinute is the number of cells a minute on which the steps of a block are
// added before the sum is put on whole minutes.
const perMinute = 4

// node is one combination of the two shared factors.
type node struct {
	caseAt int     // index of the case node
	value  float64 // log factor, case and visit together
	weight float64 // of the visit node, given the case node
}

// kernel is the distribution of a piece of work's minutes, for every node. It
// may be a part of a distribution: the part in which filling was not barred.
type kernel struct {
	at   []chairtime.Dist
	mass float64   // the same at every node
	mean []float64 // of minutes, times mass
	// tail[n][r] and over[n][r] are the probability of more than r minutes and the
	// expected minutes beyond r; both are 0 from the end of the slices on.
	tail, over [][]float64
	lost       float64
}

// workshop makes kernels from steps and keeps them: the same steps in the same
// order are convolved once, whatever belief, costs or lengths go with them.
type workshop struct {
	factor    Factor
	cap       int
	caseNodes []chairtime.Node
	visitCnt  int
	nodes     []node
	scale     []float64 // exp of each node's value

	laws    map[law]int
	lawFine []chairtime.Fine
	sums    map[[2]int]int // sum and law to the sum with the law added
	sumFine []chairtime.Fine
	excess  []*chairtime.Excess
	kernels map[recipe]*kernel
	mixes   map[mixKey]*kernel
}

// law is one duration on the fine lattice: lognormal, added with a probability.
type law struct{ prob, median, logSD float64 }

// recipe is the content of a kernel without barring events.
type recipe struct {
	scaled, fixed         int // sums
	shift                 float64
	overScaled, overFixed int
	overShift, contact    float64
	weight                float64
}

// mixKey is a kernel that is the sum of two.
type mixKey struct{ a, b *kernel }

func newWorkshop(f Factor, cap, caseNodes, visitNodes int) *workshop {
	w := &workshop{factor: f, cap: cap,
		laws: map[law]int{}, sums: map[[2]int]int{}, kernels: map[recipe]*kernel{}, mixes: map[mixKey]*kernel{}}
	w.caseNodes = chairtime.Nodes(f.CaseLogSD, caseNodes)
	visit := chairtime.Nodes(f.VisitLogSD, visitNodes)
	w.visitCnt = len(visit)
	for i, c := range w.caseNodes {
		for _, v := range visit {
			w.nodes = append(w.nodes, node{caseAt: i, value: c.Value + v.Value, weight: v.Weight})
			w.scale = append(w.scale, math.Exp(c.Value+v.Value))
		}
	}
	w.addSum(chairtime.FineExactly(0, perMinute)) // sum 0: no time
	return w
}

func (w *workshop) addSum(f chairtime.Fine) int {
	w.sumFine = append(w.sumFine, f)
	w.excess = append(w.excess, nil)
	return len(w.sumFine) - 1
}

// plus returns the sum with one more law added.
func (w *workshop) plus(sum int, l law) int {
	if l.prob == 0 || l.median == 0 {
		return sum
	}
	id, ok := w.laws[l]
	if !ok {
		f := chairtime.FineLognormal(chairtime.Lognormal{Median: l.median, LogSD: l.logSD}, perMinute)
		id = len(w.lawFine)
		w.lawFine = append(w.lawFine, f.Maybe(l.prob))
		w.laws[l] = id
	}
	key := [2]int{sum, id}
	next, ok := w.sums[key]
	if !ok {
		next = w.addSum(w.sumFine[sum].Plus(w.lawFine[id]))
		w.sums[key] = next
	}
	return next
}

func (w *workshop) excessOf(sum int) *chairtime.Excess {
	if w.excess[sum] == nil {
		e := w.sumFine[sum].Excess()
		w.excess[sum] = &e
	}
	return w.excess[sum]
}

// make returns the kernel of a recipe.
func (w *workshop) make(r recipe) *kernel {
	if k, ok := w.kernels[r]; ok {
		return k
	}
	k := &kernel{at: make([]chairtime.Dist, len(w.nodes))}
	for n, scale := range w.scale {
		d := w.excessOf(r.scaled).Minutes(scale, r.shift+r.contact, w.cap)
		if r.fixed != 0 {
			d = d.Plus(w.excessOf(r.fixed).Minutes(1, 0, w.cap), w.cap)
		}
		if r.contact > 0 {
			d = d.Plus(w.beyondContact(r, scale), w.cap)
		}
		if r.weight != 1 {
			for i := range d.P {
				d.P[i] *= r.weight
			}
		}
		k.at[n] = d.Trim(kernelTail)
	}
	k.finish()
	w.kernels[r] = k
	return k
}

// kernelTail is the probability dropped from each end of a kernel.
const kernelTail = 1e-10

// beyondContact is the distribution of max(overlapping work - contact, 0): what
// the work adds to the contact that runs anyway.
func (w *workshop) beyondContact(r recipe, scale float64) chairtime.Dist {
	e := w.excessOf(r.overScaled)
	if r.overFixed == 0 {
		return e.Minutes(scale, r.overShift-r.contact, w.cap)
	}
	f := w.sumFine[r.overFixed]
	parts := make([]chairtime.Part, len(f.P))
	for i, p := range f.P {
		shift := float64(f.First+i)/perMinute + r.overShift - r.contact
		parts[i] = chairtime.Part{Weight: p, Dist: e.Minutes(scale, shift, w.cap)}
	}
	return chairtime.Mix(parts...)
}

// mix returns the sum of two kernels; nil stands for none.
func (w *workshop) mix(a, b *kernel) *kernel {
	if a == nil {
		return b
	}
	if b == nil {
		return a
	}
	if k, ok := w.mixes[mixKey{a, b}]; ok {
		return k
	}
	k := &kernel{at: make([]chairtime.Dist, len(w.nodes))}
	for n := range k.at {
		k.at[n] = chairtime.Mix(chairtime.Part{Weight: 1, Dist: a.at[n]}, chairtime.Part{Weight: 1, Dist: b.at[n]})
	}
	k.finish()
	w.mixes[mixKey{a, b}] = k
	return k
}

// plusKernel returns the kernel of two pieces of work one after the other.
func (w *workshop) plusKernel(a, b *kernel) *kernel {
	if a == nil || b == nil {
		return nil
	}
	k := &kernel{at: make([]chairtime.Dist, len(w.nodes))}
	for n := range k.at {
		k.at[n] = a.at[n].Plus(b.at[n], w.cap).Trim(kernelTail)
	}
	k.finish()
	return k
}

// finish computes what is read from a kernel over and over.
func (k *kernel) finish() {
	k.mean = make([]float64, len(k.at))
	k.tail, k.over = make([][]float64, len(k.at)), make([][]float64, len(k.at))
	total := 0
	for _, d := range k.at {
		total += d.Last() + 1
	}
	slab := make([]float64, 2*total)
	for n, d := range k.at {
		size := d.Last() + 1
		tail, over := slab[:size:size], slab[size:2*size:2*size]
		slab = slab[2*size:]
		survival, beyond := 0.0, 0.0
		for r := size - 1; r >= 0; r-- {
			beyond += survival
			tail[r], over[r] = survival, beyond
			survival += d.At(r)
		}
		k.mean[n] = beyond // expected minutes beyond 0
		k.tail[n], k.over[n] = tail, over
		k.mass = survival
		k.lost = max(k.lost, d.Lost)
	}
}

// nothing reports whether the kernel certainly takes no time.
func (k *kernel) nothing() bool {
	for _, d := range k.at {
		if d.First != 0 || len(d.P) != 1 {
			return false
		}
	}
	return true
}
