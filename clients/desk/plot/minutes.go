package plot

import (
	"html/template"
	"math"
	"strconv"
)

// Law is a distribution of whole minutes: P[i] is the chance of First + i.
type Law struct {
	First int
	P     []float64
}

// binMinutes is how many minutes one bar stands for.
const binMinutes = 5

// longest is how many minutes a picture can show.
const longest = 960

// bins adds the law up in bins of five minutes: bin k holds 5k+1 to 5k+5. They
// end where all but one in 200 have ended.
func (l Law) bins() []float64 {
	total := 0.0
	for _, p := range l.P {
		total += chance(p)
	}
	if total <= 0 {
		return nil
	}
	var out []float64
	sum := 0.0
	for i, p := range l.P {
		minute := l.First + i
		if minute < 1 {
			minute = 1
		}
		if minute > longest {
			break
		}
		k := (minute - 1) / binMinutes
		for len(out) <= k {
			out = append(out, 0)
		}
		out[k] += chance(p) / total
		sum += chance(p) / total
		if sum > 0.995 && minute%binMinutes == 0 {
			break
		}
	}
	return out
}

// Minutes is the time in the chair of one visit beside the length booked.
type Minutes struct {
	Text
	Law Law
	// Booked is the appointment length in minutes; 0 draws none.
	Booked int
	// BookedText stands at its line: "booked 90 min"; Axis below the axis:
	// "minutes".
	BookedText, Axis string
}

// Draw draws bars of five minutes each; those beyond the booked length are
// hatched.
func (m Minutes) Draw() template.HTML {
	const height, top, floor = 150.0, 22.0, 118.0
	c := begin(m.Text, "minutes", height)
	c.hatch()
	bins := m.Law.bins()
	end := max(float64(len(bins)*binMinutes), float64(min(m.Booked, longest)+10), 30)
	across := scale{0, end, 6, Width - 6}
	highest := 0.0
	for _, p := range bins {
		highest = max(highest, p)
	}
	up := scale{0, max(highest, 1e-9), floor, top}
	for k, p := range bins {
		x, to := across.at(float64(k*binMinutes)), across.at(float64((k+1)*binMinutes))
		class, fill := "bar", ""
		if m.Booked > 0 && k*binMinutes >= m.Booked {
			class, fill = "bar beyond", c.ref()
		}
		c.rect(class, x+0.5, up.at(p), to-x-1, floor-up.at(p), fill)
	}
	minuteAxis(c, across, floor, end, m.Axis)
	if m.Booked > 0 {
		x := across.at(float64(m.Booked))
		c.line("booked", x, top-8, x, floor+4)
		if x > Width/2 {
			c.say("label", "end", x-4, top-4, m.BookedText)
		} else {
			c.say("label", "start", x+4, top-4, m.BookedText)
		}
	}
	return c.end()
}

// minuteAxis draws the axis with marks at round minutes.
func minuteAxis(c *canvas, across scale, floor, end float64, name string) {
	c.line("axis", across.start, floor, across.end, floor)
	gap := step(end, 6, 15, 30, 60, 120, 240)
	for v := 0.0; v <= end; v += gap {
		x := across.at(v)
		c.line("axis", x, floor, x, floor+4)
		anchor := "middle"
		switch {
		case x < 14:
			anchor = "start"
		case x > Width-14:
			anchor = "end"
		}
		c.say("tick", anchor, x, floor+16, strconv.Itoa(int(math.Round(v))))
	}
	c.say("tick", "end", across.end, floor+29, name)
}

// Curve is one way of treating in a picture of several.
type Curve struct {
	Label string
	Law   Law
}

// Curves compares the minutes of several ways on one axis.
type Curves struct {
	Text
	Curves []Curve
	Axis   string
}

// strokes is how many curves can be told apart by their dashes.
const strokes = 4

// Draw draws one line for each way, told apart by dashes and named below.
func (g Curves) Draw() template.HTML {
	const top, floor = 10.0, 110.0
	c := begin(g.Text, "curves", 146+16*float64(len(g.Curves)))
	all := make([][]float64, len(g.Curves))
	end, highest := 30.0, 1e-9
	for i, curve := range g.Curves {
		all[i] = curve.Law.bins()
		end = max(end, float64(len(all[i])*binMinutes))
		for _, p := range all[i] {
			highest = max(highest, p)
		}
	}
	across, up := scale{0, end, 6, Width - 6}, scale{0, highest, floor, top}
	minuteAxis(c, across, floor, end, g.Axis)
	for i, bins := range all {
		class := "curve curve-" + strconv.Itoa(i%strokes)
		if len(bins) > 0 {
			c.b.WriteString(`<path class="` + class + `" d="M` + number(across.at(0)) + ` ` + number(floor))
			for k, p := range bins {
				c.b.WriteString(`L` + number(across.at((float64(k)+0.5)*binMinutes)) + ` ` + number(up.at(p)))
			}
			c.b.WriteString(`"/>`)
		}
		y := 148 + 16*float64(i)
		c.line(class, 8, y, 38, y)
		c.say("label", "start", 46, y+4, g.Curves[i].Label)
	}
	return c.end()
}
