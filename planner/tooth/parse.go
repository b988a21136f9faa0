package tooth

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
	"unicode/utf8"
)

// System is a way of writing teeth.
type System uint8

const (
	// Unstated: read only what is a tooth in one system alone.
	Unstated System = iota
	// ISO 3950: 11 to 48.
	ISO
	// Universal: 1 to 32.
	Universal
	// Quadrant: UR, UL, LL or LR with a digit, LR6.
	Quadrant
	// Corner: a digit in one of four corners, 6┐. Quadrant and Corner read each
	// other's notation; they differ in what is written.
	Corner
)

// String names the system as people call it.
func (s System) String() string {
	switch s {
	case ISO:
		return "ISO 3950"
	case Universal:
		return "universal 1-32"
	case Quadrant:
		return "quadrant and digit"
	case Corner:
		return "corner symbol and digit"
	default:
		return "no stated system"
	}
}

// ParseSystem reads the name of a setting: "iso", "universal", "quadrant" or
// "corner".
func ParseSystem(name string) (System, error) {
	switch name {
	case "iso":
		return ISO, nil
	case "universal":
		return Universal, nil
	case "quadrant":
		return Quadrant, nil
	case "corner":
		return Corner, nil
	}
	return Unstated, fmt.Errorf("tooth notation %s: want iso, universal, quadrant or corner", quoted(name))
}

// What Parse refuses; test with errors.Is.
var (
	// ErrPrimary: a primary (deciduous) tooth.
	ErrPrimary = errors.New("primary tooth")
	// ErrAmbiguous: different teeth in different systems.
	ErrAmbiguous = errors.New("ambiguous tooth")
	// ErrUnknown: a tooth in no system, or not in the one that was stated.
	ErrUnknown = errors.New("unknown tooth")
)

// Refusal explains why a text was not taken as a tooth.
type Refusal struct {
	Input  string // what was read, shortened
	System System
	Reason string
	Want   string // what would be right
	cause  error
}

// Error says what was wrong and what would be right.
func (r *Refusal) Error() string {
	return fmt.Sprintf("tooth %s (%s): %s; %s", quoted(r.Input), r.System, r.Reason, r.Want)
}

// Unwrap gives ErrPrimary, ErrAmbiguous or ErrUnknown.
func (r *Refusal) Unwrap() error { return r.cause }

const (
	wantISO       = "want an ISO code from 11 to 48 with a second digit from 1 to 8, for example 46"
	wantUniversal = "want a number from 1 to 32, for example 30"
	wantQuadrant  = "want UR, UL, LL or LR and a digit from 1 to 8, for example LR6"
	wantAny       = "want an ISO code such as 46 or a quadrant and digit such as LR6"
	wantSystem    = "state the system, or write the quadrant and digit, for example UR4"
	wantPermanent = "only permanent teeth are planned here"
)

// longest text that can be a tooth, in bytes: "LR 6", a corner symbol, "20d"
const longest = 8

// quadrantLetters and cornerSymbols are indexed by the ISO quadrant.
var (
	quadrantLetters = [quadrants + 1]string{"", "UR", "UL", "LL", "LR"}
	cornerSymbols   = [quadrants + 1]rune{0, '┘', '└', '┌', '┐'}
)

func refuse(cause error, input string, sys System, reason, want string) error {
	return &Refusal{Input: shortened(input), System: sys, Reason: reason, Want: want, cause: cause}
}

func unknown(input string, sys System, reason, want string) error {
	return refuse(ErrUnknown, input, sys, reason, want)
}

// shortened keeps a mistyped sentence out of error texts.
func shortened(s string) string {
	if len(s) <= longest {
		return s
	}
	cut := longest
	for cut > 0 && !utf8.RuneStart(s[cut]) {
		cut--
	}
	return s[:cut] + "..."
}

func quoted(s string) string { return strconv.Quote(shortened(s)) }

// Parse reads one permanent tooth written in sys. Spaces around and between are
// ignored, and so is the case of letters. With Unstated, a text that names
// different teeth in different systems is refused with ErrAmbiguous: it is
// never guessed. Errors are *Refusal.
func Parse(s string, sys System) (Code, error) {
	text := strings.ToUpper(strings.ReplaceAll(strings.TrimSpace(s), " ", ""))
	switch {
	case text == "":
		return 0, unknown(s, sys, "nothing was given", wantFor(sys))
	case len(text) > longest:
		return 0, unknown(s, sys, "it is too long for a tooth", wantFor(sys))
	}
	switch sys {
	case ISO:
		return parseISO(text)
	case Universal:
		return parseUniversal(text)
	case Quadrant, Corner:
		return parseQuadrant(text, sys)
	case Unstated:
		return parseUnstated(text)
	}
	return 0, unknown(s, sys, "the system is not one that is known", wantSystem)
}

func wantFor(sys System) string {
	switch sys {
	case ISO:
		return wantISO
	case Universal:
		return wantUniversal
	case Quadrant, Corner:
		return wantQuadrant
	}
	return wantAny
}

// whole reads a number written plainly: digits only, no sign, no leading zero.
func whole(text string) (int, bool) {
	if len(text) == 0 || len(text) > 2 || text[0] == '0' {
		return 0, false
	}
	n := 0
	for _, r := range text {
		if r < '0' || r > '9' {
			return 0, false
		}
		n = n*10 + int(r-'0')
	}
	return n, true
}

func parseISO(text string) (Code, error) {
	n, ok := whole(text)
	if !ok || len(text) != 2 {
		return 0, unknown(text, ISO, "it is not two digits", wantISO)
	}
	q, p := n/10, n%10
	switch {
	case Code(n).Valid():
		return Code(n), nil
	case q >= 5 && q <= 8 && p >= 1 && p <= 5:
		return 0, refuse(ErrPrimary, text, ISO, "it is the "+primaryWords(q-4, p), wantPermanent)
	case q == 9 || q > quadrants && (p == 0 || p > 5):
		return 0, unknown(text, ISO, "there is no such tooth", wantISO)
	default:
		return 0, unknown(text, ISO, "positions run from 1 to 8", wantISO)
	}
}

func parseUniversal(text string) (Code, error) {
	if n, ok := whole(text); ok {
		if n > teethInAdult {
			return 0, unknown(text, Universal, "permanent teeth run from 1 to 32", wantUniversal)
		}
		return fromUniversal(n), nil
	}
	if q, p, ok := primaryUniversal(text); ok {
		return 0, refuse(ErrPrimary, text, Universal, "it is the "+primaryWords(q, p), wantPermanent)
	}
	return 0, unknown(text, Universal, "it is not a number from 1 to 32", wantUniversal)
}

func fromUniversal(n int) Code {
	for _, c := range All() {
		if c.universal() == n {
			return c
		}
	}
	return 0
}

func parseQuadrant(text string, sys System) (Code, error) {
	q, rest, ok := cutQuadrant(text)
	if !ok {
		return 0, unknown(text, sys, "the quadrant is missing", wantQuadrant)
	}
	if n, ok := whole(rest); ok && n <= perQuadrant {
		return of(q, n), nil
	}
	if len(rest) == 1 && rest[0] >= 'A' && rest[0] <= 'E' {
		return 0, refuse(ErrPrimary, text, sys, "it is the "+primaryWords(q, int(rest[0]-'A')+1), wantPermanent)
	}
	return 0, unknown(text, sys, "positions run from 1 to 8", wantQuadrant)
}

// cutQuadrant takes the quadrant off: two letters before the digit, or a corner
// symbol on the side towards the midline. A symbol on the wrong side is not
// read, since it might mean the mirror tooth.
func cutQuadrant(text string) (quadrant int, rest string, ok bool) {
	for q := 1; q <= quadrants; q++ {
		if rest, ok := strings.CutPrefix(text, quadrantLetters[q]); ok {
			return q, rest, true
		}
		symbol := string(cornerSymbols[q])
		var rest string
		var ok bool
		if q == quadrantUpperRight || q == quadrantLowerRight {
			rest, ok = strings.CutSuffix(text, symbol)
		} else {
			rest, ok = strings.CutPrefix(text, symbol)
		}
		if ok {
			return q, rest, true
		}
	}
	return 0, "", false
}

func parseUnstated(text string) (Code, error) {
	if _, _, ok := cutQuadrant(text); ok {
		return parseQuadrant(text, Quadrant)
	}
	n, number := whole(text)
	iso, isoErr := parseISO(text)
	universal, universalErr := parseUniversal(text)
	switch {
	case number && n <= perQuadrant:
		return 0, refuse(ErrAmbiguous, text, Unstated,
			"it may be universal "+universal.In(Universal)+" ("+universal.Words()+") or a digit whose quadrant is missing", wantSystem)
	case isoErr == nil && universalErr == nil:
		return 0, refuse(ErrAmbiguous, text, Unstated,
			"it is the "+iso.Words()+" in ISO and the "+universal.Words()+" in universal numbers", wantSystem)
	case isoErr == nil:
		return iso, nil
	case universalErr == nil:
		return universal, nil
	case errors.Is(universalErr, ErrPrimary) && len(text) == 1 && text[0] <= 'E':
		return 0, refuse(ErrPrimary, text, Unstated, "the letters A to E are primary teeth in every notation", wantPermanent)
	case errors.Is(universalErr, ErrPrimary):
		return 0, universalErr
	case errors.Is(isoErr, ErrPrimary):
		return 0, isoErr
	default:
		return 0, unknown(text, Unstated, "it is a tooth in no notation", wantAny)
	}
}
