package ical

import (
	"strconv"
	"strings"
	"time"
	"unicode/utf8"
)

type writer struct{ out []byte }

// utc is DATE-TIME form 2 of RFC 5545 section 3.3.5: it needs no VTIMEZONE.
const utc = "20060102T150405Z"

func (w *writer) event(e *Event) {
	w.line("BEGIN:VEVENT")
	w.text("UID", e.UID)
	w.time("DTSTAMP", e.Stamp)
	w.time("DTSTART", e.Start)
	w.time("DTEND", e.End)
	w.line("SEQUENCE:" + strconv.Itoa(e.Sequence))
	w.line("STATUS:" + string(e.Status))
	w.text("SUMMARY", e.Summary)
	if e.Description != "" {
		w.text("DESCRIPTION", e.Description)
	}
	if e.Location != "" {
		w.text("LOCATION", e.Location)
	}
	if e.Organizer != "" {
		w.line("ORGANIZER:" + e.Organizer)
	}
	if e.Free || e.Status == Cancelled {
		w.line("TRANSP:TRANSPARENT")
	} else {
		w.line("TRANSP:OPAQUE")
	}
	w.line("END:VEVENT")
}

func (w *writer) time(name string, t time.Time) { w.line(name + ":" + t.UTC().Format(utc)) }

var escapes = strings.NewReplacer("\\", `\\`, ";", `\;`, ",", `\,`, "\r\n", `\n`, "\n", `\n`)

func (w *writer) text(name, value string) { w.line(name + ":" + escapes.Replace(value)) }

// mostOctets is the longest line without its CRLF (RFC 5545 section 3.1).
const mostOctets = 75

// line writes one content line, folded: a fold is CRLF and a space, which
// counts, and never parts the octets of one character.
func (w *writer) line(s string) {
	for room := mostOctets; len(s) > room; room = mostOctets - 1 {
		cut := room
		for !utf8.RuneStart(s[cut]) {
			cut--
		}
		w.out = append(w.out, s[:cut]...)
		w.out = append(w.out, "\r\n "...)
		s = s[cut:]
	}
	w.out = append(w.out, s...)
	w.out = append(w.out, "\r\n"...)
}
