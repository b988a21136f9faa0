package check

import (
	"fmt"
	"math"

	"gonum.org/v1/gonum/stat/distuv"
)

// Allowed is the distance, in standard errors, within which the exact answer
// and the sample must agree.
const Allowed = 4

// Comparison is one figure of the answer beside the sample's.
type Comparison struct {
	What          string
	Exact, Sample float64
	Errors        float64 // distance in standard errors
	Of            int     // draws behind the sample, for a share; else 0
}

func (c Comparison) String() string {
	return fmt.Sprintf("%s: exact %.6f, sampled %.6f, %.1f standard errors apart", c.What, c.Exact, c.Sample, c.Errors)
}

// tiny is the distance that floating point explains.
const tiny = 1e-9

// The quantiles at which distributions of minutes are compared.
var quantiles = []float64{.05, .1, .25, .5, .75, .8, .9, .95, .99}

// Compare sets every figure of the answer beside the sample's.
func Compare(a *Answer, s *Sample) []Comparison {
	var l comparisons
	done := 0
	for v := 1; v < len(s.visits); v++ {
		done += s.complete[v]
		l.share(fmt.Sprintf("complete by visit %d", v), a.Complete[v-1], done, s.courses)
	}
	l.share("unfinished", a.Unfinished, s.complete[0], s.courses)
	l.mean("visits", a.ExpectedVisits, &s.number)
	l.mean("unused bookings", a.ExpectedUnused, &s.unused)
	l.mean("cost", a.Cost, &s.cost)
	l.minutes("minutes in all", a.Total, s.total)

	for _, v := range a.Visits {
		got := &s.visits[v.Number]
		n := len(got.minutes)
		what := fmt.Sprintf("visit %d", v.Number)
		l.share(what+" happens", v.Happens, n, s.courses)
		l.minutes(what, v.Minutes, got.minutes)
		l.share(what+" on time", v.Quantile, got.onTime, n)
		l.share(what+" longer than bearable", v.Longer, got.longer, n)
		l.mean(what+" overrun", v.Overrun, &got.overrun)
		l.mean(what+" idle", v.Idle, &got.idle)
		ends := 0
		for _, e := range v.Ends {
			l.share(fmt.Sprintf("%s ends at %v", what, e.State), e.Odds, got.ends[e.State], n)
			ends += got.ends[e.State]
		}
		l.share(what+" ends in a state listed", 1, ends, n)
	}
	for _, e := range a.Table {
		got := s.points[Row{e.Visit, e.State, e.Barred}]
		if got == nil {
			got = &tally{}
		}
		what := fmt.Sprintf("visit %d, %v, barred %v", e.Visit, e.State, e.Barred)
		l.share(what+" reached", e.Reached, got.reached, s.courses)
		l.share(what+" went on", e.GoOn, got.wentOn, got.reached)
	}
	for _, c := range a.Canals {
		got := s.found[c.Found]
		if got == nil {
			got = &foundSample{complete: make([]int, len(s.visits))}
		}
		what := fmt.Sprintf("%d canals found", c.Found)
		l.share(what, c.Odds, got.courses, s.courses)
		done := 0
		for v := range c.Complete {
			done += got.complete[v+1]
			l.share(fmt.Sprintf("%s, complete by visit %d", what, v+1), c.Complete[v], done, got.courses)
		}
	}
	return l
}

// comparisons collects figures side by side.
type comparisons []Comparison

// share compares a probability with the share of hits.
func (l *comparisons) share(what string, exact float64, hits, of int) {
	if of > 0 {
		*l = append(*l, Comparison{what, exact, float64(hits) / float64(of), shareErrors(exact, hits, of), of})
	}
}

// mean compares an expectation with a sample's mean.
func (l *comparisons) mean(what string, exact float64, m *moments) {
	if m.n < fewest {
		return
	}
	c := Comparison{What: what, Exact: exact, Sample: m.mean()}
	if d := math.Abs(c.Exact - c.Sample); d > tiny {
		// a sample in which nothing happened still bounds the mean: one
		// minute in one course is the least that it can show
		c.Errors = d / max(m.standardError(), 1/float64(m.n))
	}
	*l = append(*l, c)
}

// minutes compares distributions. Cells of whole minutes keep the mean: a time
// between two minutes counts for both, the more the nearer. The sample is put
// on cells the same way.
func (l *comparisons) minutes(what string, exact Cells, sorted []float64) {
	n := len(sorted)
	if n < fewest {
		return
	}
	for _, q := range quantiles {
		k := int(math.Round(exact.quantile(q) - .5))
		p := exact.atMost(k)
		got := cellsAtMost(sorted, float64(k))
		*l = append(*l, Comparison{
			fmt.Sprintf("%s, at most %d minutes (quantile %v)", what, k, q), p, got,
			shareErrors(p, int(math.Round(got*float64(n))), n), n,
		})
	}
}

// CompareOneGo sets the whole treatment in one visit beside its sample.
func CompareOneGo(g *OneGo, all []float64, found map[int][]float64) []Comparison {
	var l comparisons
	l.minutes("in one go", g.Minutes, all)
	for _, f := range g.Found {
		what := fmt.Sprintf("in one go with %d canals", f.Found)
		l.share(what, f.Odds, len(found[f.Found]), len(all))
		l.minutes(what, f.Minutes, found[f.Found])
	}
	return l
}

// fewest is the number of draws below which a mean's standard error says
// little, so that only shares are compared.
const fewest = 200

// shareErrors is the distance between a probability and the share of hits, in
// standard errors. Where few hits are expected the binomial law is not normal;
// there it is the number of standard errors at which a normal law leaves the
// same tail.
func shareErrors(p float64, hits, of int) float64 {
	n := float64(of)
	if p < tiny && hits == 0 || p > 1-tiny && hits == of {
		return 0
	}
	if p < tiny || p > 1-tiny {
		return math.Inf(1) // the impossible happened, or the certain did not
	}
	if variance := n * p * (1 - p); variance > normalFrom {
		return math.Abs(float64(hits)-n*p) / math.Sqrt(variance)
	}
	law := distuv.Binomial{N: n, P: p}
	tail := min(law.CDF(float64(hits)), 1-law.CDF(float64(hits)-1))
	return max(0, -distuv.UnitNormal.Quantile(max(tail, 1e-300)))
}

// normalFrom is the variance of a count from which the normal law stands for
// the binomial.
const normalFrom = 400
