package tooth

import "strings"

// positions of the primary dentition: there are no primary premolars.
var primaryPositions = [6]string{"", "central incisor", "lateral incisor", "canine", "first molar", "second molar"}

const (
	perPrimaryQuadrant = 5
	primaryTeeth       = quadrants * perPrimaryQuadrant
)

// primaryWords names a primary tooth; quadrant 1 to 4, position 1 to 5.
func primaryWords(quadrant, position int) string {
	beside := of(quadrant, 1) // the permanent central incisor has the same arch and side
	return string(beside.Arch()) + " " + string(beside.Side()) + " primary " + primaryPositions[position]
}

// primaryUniversal reads A-T, and the variant 1d-20d (here in capitals): both
// count from the upper right second molar round to the lower right second molar.
func primaryUniversal(text string) (quadrant, position int, ok bool) {
	n := 0
	if len(text) == 1 && text[0] >= 'A' && text[0] <= 'T' {
		n = int(text[0]-'A') + 1
	} else if digits, found := strings.CutSuffix(text, "D"); found {
		if v, plain := whole(digits); plain && v <= primaryTeeth {
			n = v
		}
	}
	for q := 1; q <= quadrants && n > 0; q++ {
		for p := 1; p <= perPrimaryQuadrant; p++ {
			if primaryNumber(q, p) == n {
				return q, p, true
			}
		}
	}
	return 0, 0, false
}

func primaryNumber(quadrant, position int) int {
	switch quadrant {
	case quadrantUpperRight:
		return 6 - position
	case quadrantUpperLeft:
		return 5 + position
	case quadrantLowerLeft:
		return 16 - position
	default:
		return 15 + position
	}
}
