package diary

import (
	"fmt"
	"sort"
	"time"

	"github.com/visitwright/visitwright/scheduler/civil"
)

// day is one local day of the diary. It is never changed once a Masks holds it.
type day struct {
	date  civil.Date
	start int64 // Unix seconds of the first instant of the local day
	cells int   // 276 to 300, or 0 for a day that the zone left out
	// wall is nil on an ordinary day, on which cell i begins i*Grid minutes
	// after midnight; else it says from which cell on the wall shows what.
	wall []wallFrom
	// twice are the cells whose reading of the wall comes twice on this day: no
	// booking of ours begins in them.
	twice Mask

	open []Mask // hours, by resource
	free []Mask // hours less what is booked
	// kept is free less the reserve for emergencies; it is free itself on a day
	// without reserve.
	kept    []Mask
	reserve []Mask // nil on a day without reserve
	release int64  // Unix seconds from which the reserve is given up

	held []held

	// longest is the longest unbroken stretch of each resource in free, and most
	// the longest of all resources of a kind: a visit that needs more cannot
	// begin, and need not be tried.
	longest []int16
	most    [4]int16
}

type wallFrom struct{ cell, minute int }

// held is a booking's hold in cells of one day.
type held struct {
	resource int32
	from, to int16
}

func newDay(z *civil.Zone, d civil.Date) (*day, error) {
	in := z.Day(d)
	out := &day{date: d, start: in.Start.Unix(), cells: in.Minutes() / Grid}
	const cell = Grid * 60
	if out.start%cell != 0 || out.cells > cells {
		return nil, fmt.Errorf("day %s in %s: its clock does not fit the grid of %d minutes", d, z.Name(), Grid)
	}
	changes := z.Changes(in)
	if first := z.Local(in.Start).Time.Minutes(); first == 0 && len(changes) == 0 {
		return out, nil
	}
	for _, at := range append([]time.Time{in.Start}, changes...) {
		out.wall = append(out.wall, wallFrom{int(at.Unix()-out.start) / cell, z.Local(at).Time.Minutes()})
	}
	seen := map[int]int{}
	for c := range out.cells {
		m := out.minute(c)
		if before, ok := seen[m]; ok {
			out.twice.Set(before, before+1)
			out.twice.Set(c, c+1)
		}
		seen[m] = c
	}
	return out, nil
}

// minute returns what the wall shows when the cell begins, in minutes after
// midnight.
func (d *day) minute(cell int) int {
	if d.wall == nil {
		return cell * Grid
	}
	i := sort.Search(len(d.wall), func(i int) bool { return d.wall[i].cell > cell }) - 1
	return d.wall[i].minute + (cell-d.wall[i].cell)*Grid
}

// span sets the cells during which the wall shows a time of the span.
func (d *day) span(m *Mask, s civil.Span) {
	if d.wall == nil {
		m.Set(s.From.Minutes()/Grid, s.To.Minutes()/Grid)
		return
	}
	for c := range d.cells {
		if s.Holds(civil.TimeOfDay(d.minute(c))) {
			m.Set(c, c+1)
		}
	}
}

func (d *day) hours(spans []civil.Span) Mask {
	var m Mask
	for _, s := range spans {
		d.span(&m, s)
	}
	return m
}

// at returns the instant at which the cell begins.
func (d *day) at(cell int) time.Time { return time.Unix(d.start+int64(cell)*Grid*60, 0).UTC() }

// touched returns the cells of this day that the interval touches.
func (d *day) touched(in civil.Interval) (from, to int) {
	const cell = Grid * 60
	a, b := in.Start.Unix()-d.start, in.End.Unix()-d.start
	if in.End.Nanosecond() > 0 {
		b++
	}
	from = int(max(a, 0) / cell)
	to = int((max(b, 0) + cell - 1) / cell)
	return from, min(to, d.cells)
}

// masks returns what is free for a search at the instant now: all of it in an
// emergency, and less the reserve as long as that is kept.
func (d *day) masks(now int64, emergency bool) []Mask {
	if emergency || d.reserve == nil || now >= d.release {
		return d.free
	}
	return d.kept
}

// changed returns a copy of the day whose bookings can be changed.
func (d *day) changed() *day {
	out := *d
	out.free = append([]Mask(nil), d.free...)
	out.held = append([]held(nil), d.held...)
	out.longest = append([]int16(nil), d.longest...)
	out.kept = out.free
	if d.reserve != nil {
		out.kept = append([]Mask(nil), d.kept...)
	}
	return &out
}

func (d *day) take(h held) {
	d.held = append(d.held, h)
	d.free[h.resource].Clear(int(h.from), int(h.to))
	d.keep(int(h.resource))
}

// give takes a hold back; what other holds still cover stays booked. It reports
// whether there was such a hold.
func (d *day) give(h held) bool {
	found := false
	rest := d.held[:0]
	for _, o := range d.held {
		if !found && o == h {
			found = true
			continue
		}
		rest = append(rest, o)
	}
	d.held = rest
	if found {
		d.refree(h.resource)
	}
	return found
}

// cut takes cells back from whatever holds they lie in: for masks that were
// built from what is taken rather than from single bookings.
func (d *day) cut(h held) {
	var rest []held
	for _, o := range d.held {
		if o.resource != h.resource || o.to <= h.from || o.from >= h.to {
			rest = append(rest, o)
			continue
		}
		if o.from < h.from {
			rest = append(rest, held{o.resource, o.from, h.from})
		}
		if o.to > h.to {
			rest = append(rest, held{o.resource, h.to, o.to})
		}
	}
	d.held = rest
	d.refree(h.resource)
}

// refree computes a resource's free cells anew from what is held.
func (d *day) refree(resource int32) {
	m := d.open[resource]
	for _, o := range d.held {
		if o.resource == resource {
			m.Clear(int(o.from), int(o.to))
		}
	}
	d.free[resource] = m
	d.keep(int(resource))
}

// keep brings what is derived from a resource's free cells up to date.
func (d *day) keep(resource int) {
	if d.reserve != nil {
		d.kept[resource] = d.free[resource].AndNot(&d.reserve[resource])
	}
	d.longest[resource] = int16(d.free[resource].longest())
}

// sum brings most up to date; first is the index of the first resource of each
// kind.
func (d *day) sum(first [4]int) {
	d.most = [4]int16{}
	for kind, from := range first {
		to := len(d.longest)
		if kind+1 < len(first) {
			to = first[kind+1]
		}
		for _, l := range d.longest[from:to] {
			d.most[kind] = max(d.most[kind], l)
		}
	}
}
