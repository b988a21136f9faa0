// Package plot draws the pictures of the desk as SVG: minutes in the chair,
// odds, canal counts, and how predictions held.
//
// Every picture is an image with a title and a description in words, so that
// whoever does not see it is told the same. Colours, line widths and letters
// come from classes alone: the style sheet turns them for dark screens and for
// paper, and the desk's content policy forbids style attributes and elements.
//
// It is written by hand because no library that was looked at does both. The
// SVG back ends of gonum/plot and of go-analyze/charts write colour, width and
// font as style attributes (the latter, with a class name, writes the class in
// place of the style, but leaves out title and description and measures text
// with fonts of its own); six small pictures need neither axes of all kinds nor
// font metrics.
package plot

import (
	"html/template"
	"math"
	"strconv"
	"strings"
)

// Width is the width of every picture in its own units; the style sheet scales
// it. Letters stay readable when it fills a telephone.
const Width = 360.0

// Text is what a picture says of itself.
type Text struct {
	// ID is unique in the page: title and description are named after it.
	ID string
	// Title names the picture; Desc says in words what it shows.
	Title, Desc string
}

// canvas collects the parts of one picture.
type canvas struct {
	b      strings.Builder
	id     string
	height float64
}

// begin opens a picture of that height.
func begin(t Text, kind string, height float64) *canvas {
	c := &canvas{id: identifier(t.ID), height: height}
	c.b.WriteString(`<svg class="plot plot-` + kind + `" viewBox="0 0 ` + number(Width) + ` ` + number(height) + `" role="img" aria-labelledby="` +
		c.id + `-t ` + c.id + `-d"><title id="` + c.id + `-t">` + escape(t.Title) + `</title><desc id="` + c.id + `-d">` + escape(t.Desc) + `</desc>`)
	return c
}

// end closes the picture. Everything that was put in is a number of ours or
// was escaped.
func (c *canvas) end() template.HTML {
	c.b.WriteString("</svg>")
	return template.HTML(c.b.String()) //nolint:gosec // see above
}

// hatch defines the stroke pattern for what lies beyond; fill it with ref.
func (c *canvas) hatch() {
	c.b.WriteString(`<defs><pattern id="` + c.id + `-h" width="5" height="5" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">` +
		`<path class="hatch" d="M0 0V5"/></pattern></defs>`)
}

func (c *canvas) ref() string { return "url(#" + c.id + "-h)" }

func (c *canvas) rect(class string, x, y, w, h float64, fill string) {
	if w <= 0 || h <= 0 {
		return
	}
	c.b.WriteString(`<rect class="` + class + `" x="` + number(x) + `" y="` + number(y) + `" width="` + number(w) + `" height="` + number(h) + `"`)
	if fill != "" {
		c.b.WriteString(` fill="` + fill + `"`)
	}
	c.b.WriteString(`/>`)
}

func (c *canvas) line(class string, x1, y1, x2, y2 float64) {
	c.b.WriteString(`<path class="` + class + `" d="M` + number(x1) + ` ` + number(y1) + `L` + number(x2) + ` ` + number(y2) + `"/>`)
}

func (c *canvas) dot(class string, x, y, r float64) {
	c.b.WriteString(`<circle class="` + class + `" cx="` + number(x) + `" cy="` + number(y) + `" r="` + number(r) + `"/>`)
}

// say writes a text; anchor is start, middle or end.
func (c *canvas) say(class, anchor string, x, y float64, text string) {
	c.b.WriteString(`<text class="` + class + `" text-anchor="` + anchor + `" x="` + number(x) + `" y="` + number(y) + `">` + escape(text) + `</text>`)
}

// scale maps values to a stretch of the picture; what lies outside is held at
// its ends.
type scale struct{ from, to, start, end float64 }

func (s scale) at(v float64) float64 {
	if !(s.to > s.from) || math.IsNaN(v) {
		return s.start
	}
	share := (min(max(v, s.from), s.to) - s.from) / (s.to - s.from)
	return s.start + share*(s.end-s.start)
}

// number writes a coordinate with a tenth of a unit; what is no number is 0.
func number(v float64) string {
	if math.IsNaN(v) || math.IsInf(v, 0) {
		v = 0
	}
	text := strconv.FormatFloat(v, 'f', 1, 64)
	return strings.TrimSuffix(text, ".0")
}

func escape(text string) string { return template.HTMLEscapeString(text) }

// identifier keeps what may stand in an id and in a reference to it.
func identifier(id string) string {
	var b strings.Builder
	for _, r := range id {
		if r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-' {
			b.WriteRune(r)
		}
	}
	if b.Len() == 0 {
		return "plot"
	}
	return b.String()
}

// chance holds a probability between 0 and 1; what is no number is 0.
func chance(p float64) float64 {
	if math.IsNaN(p) {
		return 0
	}
	return min(max(p, 0), 1)
}

// step is a round distance between marks of an axis, at most so many of them.
func step(span float64, most int, choices ...float64) float64 {
	for _, s := range choices {
		if span/s <= float64(most) {
			return s
		}
	}
	return math.Ceil(span / float64(most))
}
