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
	Visit       int // from 1; the last visit of the table stands for all later ones
	StagesDone  int
	CanalsDone  int // in a stage that may stop after each canal
	CanalsFound int
	Barred      bool // an event of this visit bars filling
}

func (b *Booking) length(visit int) int { return b.Lengths[min(visit, len(b.Lengths))-1] }

// Course is one simulated treatment.
type Course struct {
	Minutes  []float64 // in the chair, of the visits that took place
	Complete int       // the visit that completed the treatment; 0 when the horizon did not suffice
	Canals   int       // canals found
	Exist    int       // canals that were there
}

// Run simulates one course of the treatment.
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
	course.Canals, course.Exist = len(o.found), o.exist
	return course
}

// visit simulates one visit and returns its minutes in the chair.
func (d *draw) visit(o *tooth, b *Booking, visit int, factor float64) float64 {
	t := o.treatment
	minutes, barred := d.block(&t.Start, nil, true, factor)
	if visit > 1 {
		m, bars := d.block(&t.Stops[o.stage].Resume, o.worked(), true, factor)
		minutes, barred = minutes+m, barred || bars
	}
	for begun := false; !o.complete(); begun = true {
		s := &t.Stages[o.stage]
		opening := o.inStage == 0 // the stage itself begins, not its next canal
		if s.Fills && opening && (visit < b.FillFrom || barred) {
			break
		}
		if begun {
			if barred {
				break
			}
			if t.Stops[o.stage].Allowed || !opening {
				clock := math.Round(minutes)
				least, may := b.Rows[Row{visit, o.stage, o.inStage, len(o.found), barred}]
				if !may || float64(b.length(visit))-clock < float64(least) {
					break
				}
			}
		}
		if s.Gate != nil && opening {
			minutes += d.minutes(s.Gate.Check.Median, s.Gate.Check.LogSD, s.Gate.Check.Scaled, factor)
			ready := s.Gate.AfterDress
			if visit == 1 {
				ready = s.Gate.FirstVisit
			}
			if !d.happens(ready) {
				break
			}
		}
		m, bars := d.portion(o, factor)
		minutes, barred = minutes+m, barred || bars
	}
	m, _ := d.block(&t.Stops[o.stage].End, o.worked(), true, factor)
	return minutes + m
}

// worked are the canals already worked on: those done in the stage that is
// half-way, or all found when a stage has been completed on them.
func (o *tooth) worked() []int {
	if o.inStage > 0 {
		return o.found[:o.inStage]
	}
	return o.found
}
