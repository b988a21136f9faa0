// Package cli shows the service's answers as text that people can read: tables,
// small drawn distributions and plain sentences. It talks gRPC and nothing else.
package cli

import (
	"bufio"
	"fmt"
	"io"
	"strings"
	"unicode/utf8"
)

// Width is the number of columns that a page fills at most.
const Width = 92

// Page writes one answer. Errors of the writer are kept until Close, so that a
// renderer reads as what it shows.
type Page struct {
	out     *bufio.Writer
	written bool // something stands on the page
	blank   bool // the last line is empty
}

// NewPage begins a page on out.
func NewPage(out io.Writer) *Page { return &Page{out: bufio.NewWriter(out)} }

// Close writes what is left and returns the first error of the writer.
func (p *Page) Close() error { return p.out.Flush() }

// Title begins a page or a part of it, underlined.
func (p *Page) Title(format string, args ...any) {
	text := fmt.Sprintf(format, args...)
	p.Gap()
	p.line(text)
	p.line(strings.Repeat("=", utf8.RuneCountInString(text)))
}

// Heading begins a section.
func (p *Page) Heading(format string, args ...any) {
	text := fmt.Sprintf(format, args...)
	p.Gap()
	p.line(text)
	p.line(strings.Repeat("-", utf8.RuneCountInString(text)))
}

// Gap leaves one empty line, never two.
func (p *Page) Gap() {
	if p.written && !p.blank {
		p.line("")
	}
}

// Text writes a paragraph, wrapped.
func (p *Page) Text(format string, args ...any) {
	for _, line := range wrap(fmt.Sprintf(format, args...), Width) {
		p.line(line)
	}
}

// Command writes a command line as it is typed, whole.
func (p *Page) Command(what, command string) {
	p.line(what)
	p.line("    " + command)
}

// Item writes one entry of a list, with hanging indent.
func (p *Page) Item(format string, args ...any) { p.marked("  - ", fmt.Sprintf(format, args...)) }

// Box writes an entry to be ticked by hand.
func (p *Page) Box(format string, args ...any) { p.marked("  [ ] ", fmt.Sprintf(format, args...)) }

// Under writes a continuation, indented below an entry.
func (p *Page) Under(format string, args ...any) { p.marked("      ", fmt.Sprintf(format, args...)) }

// Field writes a name and its value, aligned with other fields.
func (p *Page) Field(name, format string, args ...any) {
	p.marked(fmt.Sprintf("%-18s ", name), fmt.Sprintf(format, args...))
}

func (p *Page) marked(mark, text string) {
	indent := utf8.RuneCountInString(mark)
	for i, line := range wrap(text, Width-indent) {
		if i == 0 {
			p.line(mark + line)
		} else {
			p.line(strings.Repeat(" ", indent) + line)
		}
	}
}

// Table writes rows below a head. A column whose head begins with ">" is
// aligned right. The last column wraps when the row would be too wide.
func (p *Page) Table(head []string, rows [][]string) {
	if len(rows) == 0 {
		return
	}
	right := make([]bool, len(head))
	width := make([]int, len(head))
	names := make([]string, len(head))
	for i, name := range head {
		names[i], right[i] = strings.TrimPrefix(name, ">"), strings.HasPrefix(name, ">")
		width[i] = utf8.RuneCountInString(names[i])
		for _, row := range rows {
			if i < len(row) {
				width[i] = max(width[i], utf8.RuneCountInString(row[i]))
			}
		}
	}
	last := len(head) - 1
	used := 0
	for i := range last {
		used += width[i] + 2
	}
	if used+width[last] > Width {
		width[last] = max(Width-used, 16)
	}
	rule := make([]string, len(head))
	for i := range head {
		rule[i] = strings.Repeat("-", width[i])
	}
	for _, row := range append([][]string{names, rule}, rows...) {
		cells := make([]string, len(head))
		copy(cells, row)
		rest := wrap(cells[last], width[last])
		for n, part := range rest {
			if n > 0 {
				clear(cells)
			}
			cells[last] = part
			p.line(joinCells(cells, width, right))
		}
	}
}

func joinCells(cells []string, width []int, right []bool) string {
	var line strings.Builder
	for i, cell := range cells {
		if i > 0 {
			line.WriteString("  ")
		}
		pad := strings.Repeat(" ", max(0, width[i]-utf8.RuneCountInString(cell)))
		if right[i] {
			line.WriteString(pad + cell)
		} else {
			line.WriteString(cell + pad)
		}
	}
	return strings.TrimRight(line.String(), " ")
}

func (p *Page) line(text string) {
	p.written, p.blank = true, text == ""
	_, _ = p.out.WriteString(strings.TrimRight(text, " ") + "\n") // kept by bufio until Flush
}

// wrap breaks text at spaces into lines of at most width columns. A word that
// is longer than a line stands alone. There is always at least one line.
func wrap(text string, width int) []string {
	var lines []string
	var line strings.Builder
	columns := 0
	for _, word := range strings.Fields(text) {
		size := utf8.RuneCountInString(word)
		if columns > 0 && columns+1+size > width {
			lines = append(lines, line.String())
			line.Reset()
			columns = 0
		}
		if columns > 0 {
			line.WriteByte(' ')
			columns++
		}
		line.WriteString(word)
		columns += size
	}
	return append(lines, line.String())
}
