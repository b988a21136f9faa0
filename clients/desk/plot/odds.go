package plot

import (
	"html/template"
	"strconv"
	"unicode/utf8"

	"github.com/visitwright/visitwright/clients/odds"
)

// Odd is one chance with what it is the chance of.
type Odd struct {
	Label string
	P     float64
	// Before is the chance before the evidence; below 0 draws none.
	Before float64
	// Told are the service's words for the chance: they alone make it certain.
	Told string
}

// Odds are chances as bars, one below the other: completion by visit, or the
// number of canals.
type Odds struct {
	Text
	Rows []Odd
	// Legend names the line of Before, where there is one.
	Legend string
}

// Draw draws one bar for each chance, as long as the chance, with its per cent
// at the end and a line where it was before.
func (o Odds) Draw() template.HTML {
	const row, left, right = 24.0, 108.0, 46.0
	height := 8 + row*float64(len(o.Rows))
	if o.Legend != "" {
		height += 18
	}
	c := begin(o.Text, "odds", height)
	across := scale{0, 1, left, Width - right}
	for i, r := range o.Rows {
		y := 4 + row*float64(i)
		c.say("label", "end", left-8, y+15, r.Label)
		c.rect("trough", left, y+3, across.at(1)-left, row-8, "")
		c.rect("bar", left, y+3, across.at(chance(r.P))-left, row-8, "")
		if o.Legend != "" && r.Before >= 0 {
			x := across.at(chance(r.Before))
			c.line("before", x, y, x, y+row-2)
		}
		c.say("label", "start", across.at(1)+6, y+15, odds.ToldPercent(chance(r.P), r.Told))
	}
	if o.Legend != "" {
		y := 8 + row*float64(len(o.Rows))
		c.line("before", left+3, y-1, left+3, y+11)
		c.say("tick", "start", left+10, y+9, o.Legend)
	}
	return c.end()
}

// Span is one row of a picture of intervals.
type Span struct {
	Label string
	// Low to High is the interval, At what was found or predicted.
	Low, At, High float64
	// Mark is what it is compared with (actual minutes, the share meant); not
	// drawn when Marked is false.
	Mark   float64
	Marked bool
}

// Spans are intervals with a point, one below the other, each with a mark to
// compare with: predicted and actual minutes, or coverage with its interval.
type Spans struct {
	Text
	Rows []Span
	// From and To bound the axis; Percent writes its marks as per cent.
	From, To float64
	Percent  bool
	Axis     string
	// PointText and MarkText name the two signs below the picture.
	PointText, MarkText string
}

// Draw draws a line from low to high, a dot, and a diamond for the mark.
func (s Spans) Draw() template.HTML {
	const row = 20.0
	left := 108.0
	for _, r := range s.Rows {
		// About six and a half units a letter; the axis keeps half of the width.
		left = min(max(left, 14+6.5*float64(utf8.RuneCountInString(r.Label))), Width/2)
	}
	floor := 6 + row*float64(len(s.Rows))
	c := begin(s.Text, "spans", floor+50)
	across := scale{s.From, s.To, left, Width - 10}
	for i, r := range s.Rows {
		y := 14 + row*float64(i)
		c.say("label", "end", left-8, y+4, r.Label)
		c.line("span", across.at(min(r.Low, r.High)), y, across.at(max(r.Low, r.High)), y)
		c.dot("point", across.at(r.At), y, 3.5)
		if r.Marked {
			diamond(c, across.at(r.Mark), y)
		}
	}
	c.line("axis", left, floor, across.end, floor)
	span := s.To - s.From
	if span > 0 {
		gap := step(span, 5, 0.1, 0.2, 0.25, 0.5, 1, 5, 10, 15, 30, 60, 120, 240)
		for v := s.From; v <= s.To+gap/1e6; v += gap {
			c.line("axis", across.at(v), floor, across.at(v), floor+4)
			text := strconv.FormatFloat(v, 'f', -1, 32)
			if s.Percent {
				text = odds.SharePercent(v)
			}
			c.say("tick", "middle", min(across.at(v), Width-16), floor+16, text)
		}
	}
	c.dot("point", left+4, floor+34, 3.5)
	c.say("tick", "start", left+12, floor+38, s.PointText)
	if s.MarkText != "" {
		diamond(c, left+124, floor+34)
		c.say("tick", "start", left+134, floor+38, s.MarkText)
	}
	c.say("tick", "start", 4, floor+16, s.Axis)
	return c.end()
}

func diamond(c *canvas, x, y float64) {
	c.b.WriteString(`<path class="marked" d="M` + number(x) + ` ` + number(y-6) + `L` + number(x+5) + ` ` + number(y) + `L` + number(x) + ` ` + number(y+6) +
		`L` + number(x-5) + ` ` + number(y) + `Z"/>`)
}

// Point is one visit: what was predicted and what it took, in minutes.
type Point struct{ Predicted, Actual float64 }

// Scatter sets actual against predicted minutes, with the line on which both
// are the same.
type Scatter struct {
	Text
	Points []Point
	// Across and Up name the axes.
	Across, Up string
}

// Draw draws one dot for each visit.
func (s Scatter) Draw() template.HTML {
	const left, top, floor = 40.0, 22.0, 250.0
	c := begin(s.Text, "scatter", 290)
	end := 60.0
	for _, p := range s.Points {
		if v := max(p.Predicted, p.Actual); v <= longest {
			end = max(end, v)
		}
	}
	gap := step(end, 6, 15, 30, 60, 120, 240)
	end = float64(int(end/gap)+1) * gap
	across, up := scale{0, end, left, Width - 16}, scale{0, end, floor, top}
	c.line("axis", left, floor, across.end, floor)
	c.line("axis", left, floor, left, top)
	for v := 0.0; v <= end; v += gap {
		text := strconv.Itoa(int(v))
		c.line("axis", across.at(v), floor, across.at(v), floor+4)
		c.say("tick", "middle", across.at(v), floor+16, text)
		c.line("axis", left-4, up.at(v), left, up.at(v))
		c.say("tick", "end", left-7, up.at(v)+4, text)
	}
	c.line("before", across.at(0), up.at(0), across.at(end), up.at(end))
	for _, p := range s.Points {
		c.dot("point", across.at(p.Predicted), up.at(p.Actual), 3)
	}
	c.say("tick", "end", across.end, floor+32, s.Across)
	c.say("tick", "start", 4, 12, s.Up)
	return c.end()
}

// Histogram are counts side by side, with the height that each would have if
// the predictions were honest.
type Histogram struct {
	Text
	Counts []int
	// Even draws a line at the even height, named EvenText.
	Even     bool
	EvenText string
	// First and Last stand below the ends, Axis between them.
	First, Last, Axis string
}

// Draw draws one bar for each count, with the count above it.
func (h Histogram) Draw() template.HTML {
	const top, floor, left, right = 24.0, 120.0, 6.0, Width - 6
	c := begin(h.Text, "histogram", 150)
	most, total := 0, 0
	for _, n := range h.Counts {
		most, total = max(most, n), total+max(n, 0)
	}
	up := scale{0, max(float64(most), 1), floor, top}
	width := (right - left) / float64(max(len(h.Counts), 1))
	for i, n := range h.Counts {
		x := left + width*float64(i)
		c.rect("bar", x+1, up.at(float64(n)), width-2, floor-up.at(float64(n)), "")
		c.say("tick", "middle", x+width/2, up.at(float64(max(n, 0)))-4, strconv.Itoa(n))
	}
	c.line("axis", left, floor, right, floor)
	if h.Even && len(h.Counts) > 0 {
		y := up.at(float64(total) / float64(len(h.Counts)))
		c.line("before", left, y, right, y)
		c.say("tick", "end", right, 10, h.EvenText)
	}
	c.say("tick", "start", left, floor+16, h.First)
	c.say("tick", "middle", Width/2, floor+28, h.Axis)
	c.say("tick", "end", right, floor+16, h.Last)
	return c.end()
}
