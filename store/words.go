package store

import (
	"slices"
	"strings"
	"unicode"

	"golang.org/x/text/unicode/norm"
)

// The blind index holds a keyed hash of each of these words. It answers "whole
// word" and "begins with" for three to six letters; what lies in the database
// tells only that two patients of one practice share a word.
const (
	shortestPrefix = 3
	longestPrefix  = 6
	phoneTail      = 6  // digits that people read out
	maxWords       = 64 // per patient; what lies beyond is not searchable
)

// fold makes words comparable: lower case, accents off.
func fold(s string) string {
	var b strings.Builder
	for _, r := range norm.NFKD.String(s) {
		if !unicode.Is(unicode.Mn, r) {
			b.WriteRune(unicode.ToLower(r))
		}
	}
	return b.String()
}

// labelWords splits a label into folded words.
func labelWords(label string) []string {
	return strings.FieldsFunc(fold(label), func(r rune) bool { return !unicode.IsLetter(r) && !unicode.IsDigit(r) })
}

// phoneDigits keeps the digits. A leading 00 and + are the same.
func phoneDigits(phone string) string {
	var b strings.Builder
	for _, r := range phone {
		if r >= '0' && r <= '9' {
			b.WriteRune(r)
		}
	}
	return strings.TrimPrefix(b.String(), "00")
}

// indexWords returns what to hash for a contact, sorted and once each.
func indexWords(c Contact) []string {
	var out []string
	add := func(label, phone string) {
		for _, w := range labelWords(label) {
			out = append(out, "w:"+w)
			letters := []rune(w)
			for n := shortestPrefix; n <= min(longestPrefix, len(letters)); n++ {
				out = append(out, "b:"+string(letters[:n]))
			}
		}
		if d := phoneDigits(phone); len(d) >= phoneTail {
			out = append(out, "p:"+d, "t:"+d[len(d)-phoneTail:])
		}
	}
	add(c.Label, c.Phone)
	if c.Guardian != nil {
		add(c.Guardian.Label, c.Guardian.Phone)
	}
	slices.Sort(out)
	out = slices.Compact(out)
	return out[:min(len(out), maxWords)]
}

// queryWords returns what to look for; nil when the query can match nothing.
func queryLabelWords(label string) []string {
	var out []string
	for _, w := range labelWords(label) {
		letters := []rune(w)
		if len(letters) >= shortestPrefix && len(letters) <= longestPrefix {
			out = append(out, "b:"+w)
		} else {
			out = append(out, "w:"+w)
		}
	}
	slices.Sort(out)
	return slices.Compact(out)
}

func queryPhoneWord(phone string) string {
	d := phoneDigits(phone)
	switch {
	case len(d) < phoneTail:
		return ""
	case len(d) == phoneTail:
		return "t:" + d
	}
	return "p:" + d
}
