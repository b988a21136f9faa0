package check

import "math"

// never is the number of minutes with which a table says that a visit ends
// whatever the clock says.
const never = 10_000

// Booking is how a treatment option books and decides.
type Booking struct {
	FillFrom int // the first visit that may fill
	Ahead    int // visits booked before treatment begins
	Lengths  map[Beginning]int
	Rows     map[Row]int // least remaining minutes at which going on is right
}

// Beginning is the state in which a visit begins.
type Beginning struct {
	Visit int // from 1
	State Standing
}

// Row is a stopping point.
type Row struct {
	Visit  int // from 1
	State  Standing
	Barred bool // an event of this visit bars filling
}

// fills tells whether a stage counts as filling the canals: where no stage
// does, the last one.
func (t *Treatment) fills(stage int) bool {
	for i := range t.Stages {
		if t.Stages[i].Fills {
			return t.Stages[stage].Fills
		}
	}
	return stage == len(t.Stages)-1
}

// Course is one simulated treatment.
type Course struct {
	Visits   []Visit // those that took place
	Complete int     // the visit that completed the treatment; 0 when the horizon did not suffice
	Found    int     // canals found
	// Rest is the minutes of one further visit that does everything left, with
	// every gate passed; 0 when the treatment is complete.
	Rest float64
}

// Visit is one simulated visit.
type Visit struct {
	Minutes float64
	Length  int // booked
	End     Standing
	Points  []Point // stopping points passed or stopped at
}

// Point is a stopping point that was reached, and what was done there.
type Point struct {
	Row
	WentOn bool
}

// run simulates one course of the treatment. A booking that says nothing about
// a state that is reached is an error of the plan, which the course reports.
func (d *draw) run(t *Treatment, b *Booking) (Course, error) {
	o := d.newTooth(t)
	caseLog := t.Factor.CaseLogSD * d.normal.Rand()
	var course Course
	for visit := 1; visit <= t.Horizon && !o.complete(); visit++ {
		v, err := d.visit(o, b, visit, d.factor(t, caseLog))
		if err != nil {
			return course, err
		}
		course.Visits = append(course.Visits, v)
		if o.complete() {
			course.Complete = visit
		}
	}
	course.Found = o.found
	if !o.complete() {
		course.Rest = d.rest(o, d.factor(t, caseLog))
	}
	return course, nil
}

func (d *draw) factor(t *Treatment, caseLog float64) float64 {
	return math.Exp(caseLog + t.Factor.VisitLogSD*d.normal.Rand())
}

// open draws what comes before the first portion of a visit.
func (d *draw) open(o *tooth, first bool, factor float64) (minutes float64, barred bool) {
	t := o.treatment
	minutes, barred = d.block(&t.Start, nil, true, factor)
	if first && t.Begin == (Standing{}) {
		return d.passes(minutes), barred
	}
	again := &t.Stops[o.stage].Resume
	m, bars := d.block(again, o.all(), true, factor)
	barred = barred || bars
	if t.Start.Contact > 0 && again.Contact > 0 { // two waits are two pieces
		return d.passes(minutes) + d.passes(m), barred
	}
	return d.passes(minutes + m), barred
}

// visit simulates one visit.
func (d *draw) visit(o *tooth, b *Booking, visit int, factor float64) (Visit, error) {
	t := o.treatment
	length, ok := b.Lengths[Beginning{visit, o.standing()}]
	if !ok {
		return Visit{}, missing("length", visit, o.standing())
	}
	v := Visit{Length: length}
	minutes, barred := d.open(o, visit == 1, factor)
	for begun := false; !o.complete(); begun = true {
		s := &t.Stages[o.stage]
		ends := t.fills(o.stage) && (visit < b.FillFrom || barred)
		if begun {
			row := Row{visit, o.standing(), barred}
			least, ok := b.Rows[row]
			if !ok {
				return v, missing("row of the go-on table", visit, o.standing())
			}
			// The rules of the model bind whatever the table says.
			goOn := !ends && (!t.Stops[o.stage].Allowed ||
				max(0, float64(length)-math.Floor(minutes+.5)) >= float64(least))
			v.Points = append(v.Points, Point{row, goOn})
			ends = !goOn
		}
		if ends {
			break
		}
		if s.Gate != nil && o.inStage == 0 {
			minutes += d.passes(d.minutes(s.Gate.Check.Median, s.Gate.Check.LogSD, s.Gate.Check.Scaled, factor))
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
	v.Minutes, v.End = minutes+d.passes(m), o.standing()
	return v, nil
}

// rest simulates the visit with which an unfinished treatment is priced: all
// that is left, every gate passed.
func (d *draw) rest(o *tooth, factor float64) float64 {
	minutes, _ := d.open(o, false, factor)
	return minutes + d.straight(o, factor)
}

// oneGo simulates the whole treatment in one visit, every gate passed and no
// stop made, and returns its minutes and the canals found.
func (d *draw) oneGo(t *Treatment) (minutes float64, found int) {
	o := d.newTooth(t)
	factor := d.factor(t, t.Factor.CaseLogSD*d.normal.Rand())
	minutes, _ = d.open(o, true, factor)
	minutes += d.straight(o, factor)
	return minutes, o.found
}

// straight does every portion left and ends the visit.
func (d *draw) straight(o *tooth, factor float64) float64 {
	var minutes float64
	for !o.complete() {
		if s := &o.treatment.Stages[o.stage]; s.Gate != nil && o.inStage == 0 {
			minutes += d.passes(d.minutes(s.Gate.Check.Median, s.Gate.Check.LogSD, s.Gate.Check.Scaled, factor))
		}
		m, _ := d.portion(o, factor)
		minutes += m
	}
	m, _ := d.block(&o.treatment.Stops[o.stage].End, o.all(), true, factor)
	return minutes + d.passes(m)
}
