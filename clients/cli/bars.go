package cli

import (
	"fmt"
	"math"
	"strings"

	"github.com/visitwright/visitwright/clients/odds"
)

// minutes writes a duration, "95 min".
func minutes(m float64) string { return fmt.Sprintf("%.0f min", m) }

// bar is one row of a drawn distribution.
type bar struct {
	from, to int // minutes, both ends included
	p        float64
}

// bars gathers one-minute probabilities into at most most rows of equal width,
// a width that people count in, and leaves out the empty ends. What lies
// beyond a 99.5 % point stands in the last row as "and longer".
func bars(p []float64, most int) []bar {
	first, last, sum := 0, len(p)-1, 0.0
	for i, v := range p {
		if sum += v; sum > 0.002 {
			first = i
			break
		}
	}
	sum = 0
	for i := len(p) - 1; i >= 0; i-- {
		if sum += p[i]; sum > 0.005 {
			last = i
			break
		}
	}
	step := 60
	for _, s := range []int{1, 2, 5, 10, 15, 20, 30} {
		if last/s-first/s+1 <= most {
			step = s
			break
		}
	}
	var rows []bar
	for from := first / step * step; from <= last; from += step {
		row := bar{from: from, to: from + step - 1}
		for i := max(from, 0); i < len(p) && i <= row.to; i++ {
			row.p += p[i]
		}
		rows = append(rows, row)
	}
	for i := 0; i < len(p) && len(rows) > 0; i++ {
		if i < rows[0].from {
			rows[0].p += p[i]
		}
		if i > rows[len(rows)-1].to {
			rows[len(rows)-1].p += p[i]
		}
	}
	return rows
}

// barColumns is the length of the longest bar.
const barColumns = 40

// Bars draws a distribution of minutes; mark, when above 0, is the appointment
// length, drawn as a line where it falls.
func (p *Page) Bars(distribution []float64, mark int) {
	rows := bars(distribution, 14)
	var top float64
	for _, row := range rows {
		top = max(top, row.p)
	}
	if top == 0 {
		return
	}
	marked := mark <= 0
	for i, row := range rows {
		if !marked && row.from >= mark {
			p.line(fmt.Sprintf("            |%s booked: %d min", strings.Repeat("-", barColumns/2), mark))
			marked = true
		}
		longer := ""
		if i == len(rows)-1 {
			longer = " and longer"
		}
		p.line(fmt.Sprintf("  %3d-%-3d min |%s %s%s", row.from, row.to,
			strings.Repeat("#", int(math.Round(row.p/top*barColumns))), odds.Percent(row.p), longer))
	}
	if !marked {
		p.line(fmt.Sprintf("              |%s booked: %d min", strings.Repeat("-", barColumns/2), mark))
	}
}
