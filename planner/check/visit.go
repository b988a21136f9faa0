package check

import "math"

// Booking is how a treatment option books and decides: appointment lengths
// visit by visit (the last stands for all later ones), the first visit that may
// fill, and the go-on table.
type Booking struct {
	FillFrom int
	Lengths  []int
	Rows     map[Row]int // least remaining minutes at which going on is right
}

// Row is the state at a stopping point. A state without a row means: stop.
type Row struct {
	Visit  int // from 1
	Stands Standing
	Barred bool // an event of this visit bars filling
}

func (b *Booking) length(visit int) int { return b.Lengths[min(visit, len(b.Lengths))-1] }

// forbids tells whether the option keeps a stage out of a visit: every stage
// that fills, or the last one when none does.
func (b *Booking) forbids(t *Treatment, stage, visit int) bool {
	if visit >= b.FillFrom {
		return false
	}
	for i := range t.Stages {
		if t.Stages[i].Fills {
			return t.Stages[stage].Fills
		}
	}
	return stage == len(t.Stages)-1
}

// Course is one simulated treatment.
type Course struct {
	Minutes  []float64 // in the chair, of the visits that took place
	Complete int       // the visit that completed the treatment; 0 when the horizon did not suffice
	Found    int       // canals found
	Exist    int       // canals that were there
}

// run simulates one course of the treatment.
func (d *draw) run(t *Treatment, b *Booking) Course {
	o := d.newTooth(t)
	caseLog := t.Factor.CaseLogSD * d.normal.Rand()
	var course Course
	for visit := 1; visit <= t.Horizon && !o.complete(); visit++ {
		factor := math.Exp(caseLog + t.Factor.VisitLogSD*d.normal.Rand())
		course.Minutes = append(course.Minutes, d.visit(o, b, visit, factor))
		if o.complete() {
			course.Complete = visit
		}
	}
	course.Found, course.Exist = o.found, o.exist
	return course
}

// visit simulates one visit and returns its minutes in the chair.
func (d *draw) visit(o *tooth, b *Booking, visit int, factor float64) float64 {
	t := o.treatment
	minutes, barred := d.block(&t.Start, nil, true, factor)
	if visit > 1 || t.Begin != (Standing{}) {
		m, bars := d.block(&t.Stops[o.stage].Resume, o.all(), true, factor)
		minutes, barred = minutes+m, barred || bars
	}
	for begun := false; !o.complete(); begun = true {
		s := &t.Stages[o.stage]
		if b.forbids(t, o.stage, visit) || s.Fills && barred {
			break
		}
		if begun && t.Stops[o.stage].Allowed {
			left := max(0, float64(b.length(visit))-math.Floor(minutes+.5))
			least, may := b.Rows[Row{visit, o.standing(), barred}]
			if !may || left < float64(least) {
				break
			}
		}
		if s.Gate != nil && o.inStage == 0 {
			minutes += d.minutes(s.Gate.Check.Median, s.Gate.Check.LogSD, s.Gate.Check.Scaled, factor)
			ready := s.Gate.AfterDress
			if visit == 1 && t.Begin == (Standing{}) {
				ready = s.Gate.FirstVisit
			}
			if !d.happens(ready) {
				break
			}
		}
		m, bars := d.portion(o, factor)
		minutes, barred = minutes+m, barred || bars
	}
	m, _ := d.block(&t.Stops[o.stage].End, o.all(), true, factor)
	return minutes + m
}
