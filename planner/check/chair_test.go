package check

import (
	"math"
	"testing"

	"github.com/visitwright/visitwright/planner/check/obtain"
)

// moments in the chair that are compared, and the courses drawn for each.
const (
	chairMoments = 40
	chairCourses = 12_000
)

// Finish-or-dress odds, given every mark and the time already spent in the
// running step, beside a sampler that knows only the JSON of the state. Every
// figure lies within four standard errors; none is drawn again.
func TestFinishOrDressOddsAgreeWithSampledCoursesOverRandomMomentsInTheChair(t *testing.T) {
	compared, further := 0, 0
	for seed := range uint64(chairMoments) {
		m, err := obtain.RandomChair(seed)
		if err != nil {
			t.Fatalf("moment %d: %v", seed, err)
		}
		c, err := ReadChair(m.JSON)
		if err != nil {
			t.Fatal(err)
		}
		if c.Model.Canals.Expected > 3 {
			further++
		}
		sample := SampleChair(c, seed+1, chairCourses)
		for end, odds := range m.Odds {
			if sample.Draws(end) < 400 {
				continue // observed minutes too unlikely for this many courses
			}
			for minutes, exact := range odds {
				compared++
				if e := apart(sample, end, minutes, exact); e > Allowed {
					share, se := sample.AtMost(end, minutes)
					t.Errorf("moment %d, closed after stage %d within %d minutes: exact %.4f, sampled %.4f (%.4f), %.1f standard errors apart\n%s", seed, end, minutes, exact, share, se, e, m.Story)
				}
			}
		}
	}
	t.Logf("%d odds over %d moments, %d of them with a further canal", compared, chairMoments, further)
	if compared < 3*chairMoments || further < 3 {
		t.Errorf("only %d odds were compared, %d moments with a further canal: the check looks at too little", compared, further)
	}
}

// The check must be able to see the fault that it guards against: a pace that
// is not learned from what was observed.
func TestTheCheckSeesAnAnswerThatLearnsNothingFromTheMinutesSoFar(t *testing.T) {
	seen := 0
	for seed := range uint64(12) {
		m, err := obtain.RandomChair(seed)
		if err != nil {
			t.Fatal(err)
		}
		c, err := ReadChair(m.JSON)
		if err != nil {
			t.Fatal(err)
		}
		c.Model.Factor.CaseLogSD, c.Model.Factor.VisitLogSD = 0, 0
		s := SampleChair(c, seed+1, 4000)
		for end, odds := range m.Odds {
			if s.Draws(end) >= 400 && apart(s, end, m.Length, odds[m.Length]) > 2*Allowed {
				seen++
			}
		}
	}
	if seen == 0 {
		t.Error("a sampler with another law agrees as well")
	}
}

// apart is the distance in standard errors. Whole minutes blur an odds by as
// much as half a minute is worth; that much is allowed.
func apart(s *ChairSample, end, minutes int, exact float64) float64 {
	share, se := s.AtMost(end, minutes)
	below, _ := s.AtMost(end, minutes-1)
	above, _ := s.AtMost(end, minutes+1)
	blur := blurred * (above - below) / 2
	se = math.Max(se, 1/s.Draws(end))
	return math.Max(0, math.Abs(exact-share)-blur) / se
}

// blurred is the part of a minute by which pieces put on whole minutes one by
// one may shift a sum: each observed piece and the running one.
const blurred = 0.25
