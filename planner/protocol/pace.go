package protocol

import (
	"fmt"
	"math"

	"github.com/visitwright/visitwright/planner/provenance"
	"github.com/visitwright/visitwright/planner/visits"
)

// Pace is what logged visits say about the minutes of a case, on the log scale:
// the practice and the clinician first, then this tooth itself. Both multiply
// the medians of scaled steps and are added to the published figures, never
// put in their place.
type Pace struct {
	// LogSpeed of the clinician, or of the practice for somebody without visits
	// of their own: above 0 is slower than published. Spread is the log standard
	// deviation that goes with it, from visit to visit and in what is not known;
	// 0 leaves the published spread. Visits stand behind both, 0 for none.
	LogSpeed float64
	Spread   float64
	Visits   int
	Of       string // in words: "this clinician", "this practice"
	// CaseLogSpeed is this tooth's own factor as its earlier visits showed it,
	// and CaseLogSD what is left of its spread; CaseVisits stand behind both.
	CaseLogSpeed float64
	CaseLogSD    float64
	CaseVisits   int
}

// LogApplied is the log factor that the medians carry.
func (p Pace) LogApplied() float64 {
	total := 0.0
	if p.Visits > 0 {
		total += p.LogSpeed
	}
	if p.CaseVisits > 0 {
		total += p.CaseLogSpeed
	}
	return total
}

func (p Pace) mark(visits int) provenance.Mark {
	return provenance.Mark{Kind: provenance.Local, Source: fmt.Sprintf("the practice's own visit log, %s", counted(visits))}
}

func counted(n int) string {
	if n == 1 {
		return "1 visit"
	}
	return fmt.Sprintf("%d visits", n)
}

// pace multiplies the median of a scaled step.
func (b *builder) pace(line *Line, value *float64) {
	apply := func(what string, logFactor float64, visits int) {
		if visits == 0 || logFactor == 0 {
			return
		}
		f := math.Exp(logFactor)
		*value *= f
		line.Times = append(line.Times, Applied{What: what, Figure: Figure{Path: "calibration", Value: f, Unit: "1", Mark: b.in.Pace.mark(visits)}})
	}
	apply("pace of "+b.in.Pace.Of, b.in.Pace.LogSpeed, b.in.Pace.Visits)
	apply("pace of this tooth so far", b.in.Pace.CaseLogSpeed, b.in.Pace.CaseVisits)
}

// spread is the published spread, the practice's own once it has visits, and
// what is left of the tooth's own after its visits. The own spread is divided
// between tooth and day as the published one is: a log of single visits cannot
// tell them apart.
func (b *builder) spread() visits.Factor {
	f := visits.Factor{
		CaseLogSD:  b.plain("factor/case_log_sd", "factors.spread.case_log_sd"),
		VisitLogSD: b.plain("factor/visit_log_sd", "factors.spread.visit_log_sd"),
	}
	p := b.in.Pace
	if p.Visits > 0 && p.Spread > 0 {
		share := p.Spread / math.Hypot(f.CaseLogSD, f.VisitLogSD)
		f.CaseLogSD, f.VisitLogSD = f.CaseLogSD*share, f.VisitLogSD*share
		b.trace.add(Line{Path: "factor/case_log_sd", Value: f.CaseLogSD, Base: Figure{Path: "calibration", Value: p.Spread, Unit: "log-sd", Mark: p.mark(p.Visits)}, Note: "the case's part of the spread of " + p.Of})
		b.trace.add(Line{Path: "factor/visit_log_sd", Value: f.VisitLogSD, Base: Figure{Path: "calibration", Value: p.Spread, Unit: "log-sd", Mark: p.mark(p.Visits)}, Note: "the visit's part of the spread of " + p.Of})
	}
	if p.CaseVisits > 0 && p.CaseLogSD > 0 {
		f.CaseLogSD = p.CaseLogSD
		b.trace.add(Line{Path: "factor/case_log_sd", Value: f.CaseLogSD, Base: Figure{Path: "calibration", Value: p.CaseLogSD, Unit: "log-sd", Mark: p.mark(p.CaseVisits)}, Note: "what is left after the visits of this tooth"})
	}
	return f
}
