package desk

import (
	"bytes"
	"fmt"
	"slices"
	"time"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// gridMinutes is the height of one row of the drawn day.
const gridMinutes = 5

// dayGrid is a day drawn to scale: a column a room, five minutes a row.
type dayGrid struct {
	Hours   []dayBlock
	Columns []dayColumn
	// Lanes show shared equipment beside the rooms.
	Lanes []dayColumn
	Rows  int
	// Now is the row of the present moment; 0 on another day.
	Now int
}

// dayColumn is one room or one unit of equipment.
type dayColumn struct {
	Title  string
	Blocks []dayBlock
}

// dayBlock is something that takes its time in a column.
type dayBlock struct {
	// Kind is visit, side (preparation or clean-up), off, free or held.
	Kind      string
	Row, Span int
	// Half is half-a or half-b where two overlap; empty takes the whole width.
	Half  string
	Visit *dayVisit
	Text  string
	Link  string
}

// dayRowsCSS are the classes that place the blocks: the content policy allows
// no style on an element. r1 is the first row, h1 a height of one.
func dayRowsCSS() []byte {
	var b bytes.Buffer
	for i := 1; i <= wholeDay/gridMinutes; i++ {
		fmt.Fprintf(&b, ".r%d{grid-row-start:%d}.h%d{grid-row-end:span %d}\n", i, i, i, i)
	}
	return b.Bytes()
}

// leastFree is the shortest empty place that leads to booking by hand.
const leastFree = 15

// grid draws the day. With one clinician's visits alone, nothing is said of
// what is free.
func (q *ask) grid(in *dayInputs, visits []*dayVisit, partly bool) *dayGrid {
	from, to := q.bounds(in, visits)
	g := &dayGrid{Rows: (to - from) / gridMinutes}
	block := func(kind string, s stretch) (dayBlock, bool) {
		s = stretch{max(s.From, from), min(s.To, to)}
		row := (s.From - from) / gridMinutes
		end := (s.To - from + gridMinutes - 1) / gridMinutes
		return dayBlock{Kind: kind, Row: row + 1, Span: max(1, end-row)}, s.From < s.To
	}
	for h := from; h < to; h += 60 {
		b, _ := block("hour", stretch{h, h + 60})
		b.Text = clockAt(h)
		g.Hours = append(g.Hours, b)
	}
	today := q.words.daysBetween(in.date, q.words.Today())
	nowMinute := q.words.now.Hour()*60 + q.words.now.Minute()
	if today == 0 && nowMinute >= from && nowMinute < to {
		g.Now = (nowMinute-from)/gridMinutes + 1
	}
	column := func(r *vw.Resource) dayColumn {
		c := dayColumn{Title: r.GetTitle()}
		open := joined(in.hours.open(r.GetName(), in.date))
		c.Blocks = q.offBlocks(in, r.GetName(), open, from, to, block)
		free := open
		var before []stretch
		for _, v := range visits {
			hold := holdOf(v.A, r.GetName())
			if hold == nil {
				continue
			}
			start := startMinute(v.A.GetPlace())
			held := stretch{start + int(hold.GetFromMinute()), start + int(hold.GetToMinute())}
			chair := stretch{start, start + int(v.A.GetPlace().GetMinutes())}
			free = without(free, held)
			half := ""
			if len(v.A.GetConflicts()) > 0 {
				half = "half-a"
				if slices.ContainsFunc(before, func(s stretch) bool { return s.From < held.To && held.From < s.To }) {
					half = "half-b"
				}
			}
			before = append(before, held)
			for _, side := range []struct {
				stretch
				text string
			}{{stretch{held.From, chair.From}, q.t("day.preparation")}, {stretch{chair.To, held.To}, q.t("day.clean-up")}} {
				if b, any := block("side", side.stretch); any && side.From < side.To {
					b.Text, b.Half = side.text, half
					c.Blocks = append(c.Blocks, b)
				}
			}
			if b, any := block("visit", chair); any {
				b.Visit, b.Half = v, half
				c.Blocks = append(c.Blocks, b)
			}
		}
		if partly || today > 0 {
			free = nil
		}
		for _, s := range free {
			if today == 0 {
				s.From = max(s.From, (nowMinute+gridMinutes-1)/gridMinutes*gridMinutes)
			}
			if b, any := block("free", s); any && s.To-s.From >= leastFree {
				b.Text = q.t("day.free", clockAt(s.From), clockAt(s.To))
				b.Link = addressWith("/book", map[string][]string{"date": {q.words.ISODate(in.date)}, "at": {clockAt(s.From)}, "room": {lastPart(r.GetName())}})
				c.Blocks = append(c.Blocks, b)
			}
		}
		slices.SortStableFunc(c.Blocks, func(a, b dayBlock) int { return a.Row - b.Row })
		return c
	}
	for _, r := range in.house.Rooms {
		g.Columns = append(g.Columns, column(r))
	}
	if c := q.roomless(in, visits, block); len(c.Blocks) > 0 {
		g.Columns = append(g.Columns, c)
	}
	for _, u := range in.house.Units {
		g.Lanes = append(g.Lanes, q.lane(u, visits, block))
	}
	return g
}

func minutes(m int32) time.Duration { return time.Duration(m) * time.Minute }

func holdOf(a *vw.Appointment, resource string) *vw.Hold {
	for _, h := range a.GetPlace().GetHolds() {
		if h.GetResource() == resource {
			return h
		}
	}
	return nil
}

// bounds are the first and the last full hour that the day needs.
func (q *ask) bounds(in *dayInputs, visits []*dayVisit) (from, to int) {
	from, to = wholeDay, 0
	see := func(s stretch) { from, to = min(from, s.From), max(to, s.To) }
	for _, owner := range append([]string{q.practice}, ownersOf(in)...) {
		for _, s := range in.hours.working(owner, in.date) {
			see(s)
		}
	}
	for _, v := range visits {
		start := startMinute(v.A.GetPlace())
		s := stretch{start, start + int(v.A.GetPlace().GetMinutes())}
		for _, h := range v.A.GetPlace().GetHolds() {
			s = stretch{min(s.From, start+int(h.GetFromMinute())), max(s.To, start+int(h.GetToMinute()))}
		}
		see(s)
	}
	if to == 0 {
		return 8 * 60, 18 * 60 // nobody works and nothing is booked: an empty day
	}
	return max(0, from/60*60), min(wholeDay, (to+59)/60*60)
}

func ownersOf(in *dayInputs) []string {
	var out []string
	for _, r := range in.house.Rooms {
		out = append(out, r.GetName())
	}
	return out
}

// offBlocks hatch what is not open: before, between and after the hours.
func (q *ask) offBlocks(in *dayInputs, room string, open []stretch, from, to int, block func(string, stretch) (dayBlock, bool)) []dayBlock {
	off := []stretch{{from, to}}
	for _, s := range open {
		off = without(off, s)
	}
	var out []dayBlock
	for _, s := range off {
		b, any := block("off", s)
		if !any {
			continue
		}
		b.Text = q.t("day.closed")
		if s.From > from && s.To < to {
			b.Text = q.t("day.break")
		}
		for _, a := range in.hours.awayOn(room, in.date) {
			if a.From < s.To && s.From < a.To {
				b.Text = q.absenceWords(a.Absence)
			}
		}
		out = append(out, b)
	}
	return out
}

// roomless is a column for what another system sent without a room.
func (q *ask) roomless(in *dayInputs, visits []*dayVisit, block func(string, stretch) (dayBlock, bool)) dayColumn {
	c := dayColumn{Title: q.t("day.no-room")}
	end := 0
	for _, v := range visits {
		if in.house.roomOf(v.A.GetPlace()) != "" {
			continue
		}
		start := startMinute(v.A.GetPlace())
		b, any := block("visit", stretch{start, start + int(v.A.GetPlace().GetMinutes())})
		if !any {
			continue
		}
		if b.Visit = v; start < end {
			b.Half = "half-b"
		}
		end = max(end, start+int(v.A.GetPlace().GetMinutes()))
		c.Blocks = append(c.Blocks, b)
	}
	return c
}

// lane shows for which part of which visit a unit of equipment is held.
func (q *ask) lane(u *vw.Resource, visits []*dayVisit, block func(string, stretch) (dayBlock, bool)) dayColumn {
	c := dayColumn{Title: u.GetTitle()}
	for _, v := range visits {
		h := holdOf(v.A, u.GetName())
		if h == nil {
			continue
		}
		start := startMinute(v.A.GetPlace())
		s := stretch{start + int(h.GetFromMinute()), start + int(h.GetToMinute())}
		if b, any := block("held", s); any {
			b.Text = q.t("day.held", v.Room, clockAt(s.From), clockAt(s.To))
			b.Link = "/appointments/" + lastPart(v.A.GetName())
			c.Blocks = append(c.Blocks, b)
		}
	}
	return c
}
