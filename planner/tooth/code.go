// Package tooth names the 32 permanent teeth.
//
// A tooth is kept as its ISO 3950 code. The 1-32 universal numbers and the
// quadrant-and-digit notation (LR6, or the four corner symbols) are read and
// written, and every tooth has words, so that no screen shows a bare number.
//
// Sides are always the patient's own. Primary teeth are recognised in each
// notation and refused: the planner's figures hold for permanent teeth only.
package tooth

import "strconv"

// Code is a permanent tooth in ISO 3950: first digit the quadrant (1 upper
// right, 2 upper left, 3 lower left, 4 lower right), second digit the position
// from the midline, 1 to 8. The zero Code means a tooth not yet identified.
type Code uint8

// Arch is the jaw a tooth stands in.
type Arch string

// The two arches, in the words shown to people.
const (
	Upper Arch = "upper"
	Lower Arch = "lower"
)

// Side is the patient's side.
type Side string

// The patient's two sides.
const (
	Right Side = "right"
	Left  Side = "left"
)

// Class is the broad form of a tooth.
type Class string

// The four classes.
const (
	Incisor  Class = "incisor"
	Canine   Class = "canine"
	Premolar Class = "premolar"
	Molar    Class = "molar"
)

// Quadrants of ISO 3950.
const (
	quadrantUpperRight = 1
	quadrantUpperLeft  = 2
	quadrantLowerLeft  = 3
	quadrantLowerRight = 4
)

const (
	quadrants    = 4
	perQuadrant  = 8
	teethInAdult = quadrants * perQuadrant
)

// positionWords are the names by position from the midline.
var positionWords = [perQuadrant + 1]string{"",
	"central incisor", "lateral incisor", "canine",
	"first premolar", "second premolar",
	"first molar", "second molar", "third molar"}

// All returns the 32 permanent teeth in ISO order: 11-18, 21-28, 31-38, 41-48.
func All() []Code {
	all := make([]Code, 0, teethInAdult)
	for q := 1; q <= quadrants; q++ {
		for p := 1; p <= perQuadrant; p++ {
			all = append(all, of(q, p))
		}
	}
	return all
}

func of(quadrant, position int) Code { return Code(quadrant*10 + position) }

// Valid reports whether c is one of the 32 permanent teeth.
func (c Code) Valid() bool {
	q, p := int(c)/10, int(c)%10
	return q >= 1 && q <= quadrants && p >= 1 && p <= perQuadrant
}

func (c Code) quadrant() int {
	if !c.Valid() {
		return 0
	}
	return int(c) / 10
}

// Position counts from the midline, 1 to 8; 0 for a tooth not identified.
func (c Code) Position() int {
	if !c.Valid() {
		return 0
	}
	return int(c) % 10
}

// Arch of the tooth; "" for a tooth not identified.
func (c Code) Arch() Arch {
	switch c.quadrant() {
	case quadrantUpperRight, quadrantUpperLeft:
		return Upper
	case quadrantLowerLeft, quadrantLowerRight:
		return Lower
	}
	return ""
}

// Side of the patient; "" for a tooth not identified.
func (c Code) Side() Side {
	switch c.quadrant() {
	case quadrantUpperRight, quadrantLowerRight:
		return Right
	case quadrantUpperLeft, quadrantLowerLeft:
		return Left
	}
	return ""
}

// Class of the tooth; "" for a tooth not identified.
func (c Code) Class() Class { return c.Kind().Class() }

// Contralateral is the same tooth on the other side of the same arch; the zero
// Code for a tooth not identified.
func (c Code) Contralateral() Code {
	switch c.quadrant() {
	case quadrantUpperRight:
		return of(quadrantUpperLeft, c.Position())
	case quadrantUpperLeft:
		return of(quadrantUpperRight, c.Position())
	case quadrantLowerLeft:
		return of(quadrantLowerRight, c.Position())
	case quadrantLowerRight:
		return of(quadrantLowerLeft, c.Position())
	}
	return 0
}

// Words are the tooth in words, "lower right first molar"; for a tooth not
// identified, "tooth not yet identified".
func (c Code) Words() string {
	if !c.Valid() {
		return "tooth not yet identified"
	}
	return string(c.Arch()) + " " + string(c.Side()) + " " + positionWords[c.Position()]
}

// String is the ISO code, "46"; "" for a tooth not identified.
func (c Code) String() string { return c.In(ISO) }

// Label shows the tooth as a screen must: its notation and its words,
// "46, lower right first molar".
func (c Code) Label(sys System) string {
	if !c.Valid() {
		return c.Words()
	}
	return c.In(sys) + ", " + c.Words()
}

// In writes the tooth in a system. Unstated is written as ISO. "" for a tooth
// not identified.
func (c Code) In(sys System) string {
	if !c.Valid() {
		return ""
	}
	p := strconv.Itoa(c.Position())
	switch sys {
	case Universal:
		return strconv.Itoa(c.universal())
	case Quadrant:
		return quadrantLetters[c.quadrant()] + p
	case Corner:
		symbol := string(cornerSymbols[c.quadrant()])
		if c.Side() == Right { // the symbol stands towards the midline
			return p + symbol
		}
		return symbol + p
	default:
		return strconv.Itoa(int(c))
	}
}

// universal counts 1-32 from the upper right third molar round to the lower
// right third molar.
func (c Code) universal() int {
	p := c.Position()
	switch c.quadrant() {
	case quadrantUpperRight:
		return 9 - p
	case quadrantUpperLeft:
		return 8 + p
	case quadrantLowerLeft:
		return 25 - p
	default:
		return 24 + p
	}
}

// MarshalText writes the ISO code; a tooth not identified is written empty.
func (c Code) MarshalText() ([]byte, error) {
	if c != 0 && !c.Valid() {
		return nil, unknown(strconv.Itoa(int(c)), ISO, "it is no permanent tooth", wantISO)
	}
	return []byte(c.In(ISO)), nil
}

// UnmarshalText reads an ISO code; empty text is a tooth not identified.
func (c *Code) UnmarshalText(text []byte) error {
	if len(text) == 0 {
		*c = 0
		return nil
	}
	got, err := Parse(string(text), ISO)
	if err != nil {
		return err
	}
	*c = got
	return nil
}
