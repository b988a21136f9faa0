// Package ownstep is how a step of the practice's own is written on one line,
// where a person sets it: on the command line and on the desk alike.
//
//	our-rinse=2~0.2:hypochlorite 3 %, warmed
//	our-brush=1.5,scaled:brushed by hand
package ownstep

import (
	"errors"
	"regexp"
	"strconv"
	"strings"
	"unicode/utf8"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// Form is the writing, and Example one step written so.
const (
	Form    = "ID=MINUTES[~SPREAD][,scaled]:WORDS"
	Example = "our-rinse=2~0.2:hypochlorite 3 %, warmed"
)

// What a spread is when none is written: that of something timed by the clock,
// and that of usual work where the tooth and the day stretch the step.
const (
	ClockSpread = 0.1
	WorkSpread  = 0.35
)

const (
	mostMinutes = 60
	mostSpread  = 1.5
	mostWords   = 80
)

// Each says which part of a line is not right, and what would be.
var (
	ErrForm    = errors.New("want " + Form + ", for example " + Example)
	ErrID      = errors.New("ID: want lower case letters, digits and hyphens, at most 40, a letter or digit first")
	ErrMinutes = errors.New("MINUTES: want a number from 0 to 60, the usual minutes on one canal")
	ErrSpread  = errors.New("SPREAD: want a number from 0 to 1.5: 0.1 for something timed by the clock, 0.35 for usual work, 0.6 for what varies much")
	ErrWords   = errors.New("WORDS: want 1 to 80 characters, as the visit sheet is to show the step")
)

var id = regexp.MustCompile(`^[a-z0-9][a-z0-9-]{0,39}$`)

// Parse reads one step. An error is one of those above.
func Parse(line string) (*vw.OwnStep, error) {
	name, rest, named := strings.Cut(line, "=")
	time, title, titled := strings.Cut(rest, ":")
	if !named || !titled {
		return nil, ErrForm
	}
	step := &vw.OwnStep{Id: strings.TrimSpace(name), Title: strings.TrimSpace(title), Minutes: &vw.Minutes{LogSd: ClockSpread}}
	if !id.MatchString(step.GetId()) {
		return nil, ErrID
	}
	if n := utf8.RuneCountInString(step.GetTitle()); n == 0 || n > mostWords {
		return nil, ErrWords
	}
	time, how, said := strings.Cut(time, ",")
	if said {
		if strings.TrimSpace(how) != "scaled" {
			return nil, ErrForm
		}
		step.Minutes.Scaled, step.Minutes.LogSd = true, WorkSpread
	}
	median, spread, spreads := strings.Cut(time, "~")
	var ok bool
	if step.Minutes.Median, ok = number(median, mostMinutes); !ok {
		return nil, ErrMinutes
	}
	if spreads {
		if step.Minutes.LogSd, ok = number(spread, mostSpread); !ok {
			return nil, ErrSpread
		}
	}
	return step, nil
}

func number(text string, most float64) (float64, bool) {
	n, err := strconv.ParseFloat(strings.TrimSpace(text), 64)
	return n, err == nil && n >= 0 && n <= most
}

// Write is the line that Parse reads as the same step.
func Write(step *vw.OwnStep) string {
	m := step.GetMinutes()
	line := step.GetId() + "=" + plain(m.GetMedian()) + "~" + plain(m.GetLogSd())
	if m.GetScaled() {
		line += ",scaled"
	}
	return line + ":" + step.GetTitle()
}

func plain(n float64) string { return strconv.FormatFloat(n, 'f', -1, 64) }
