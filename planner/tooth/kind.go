package tooth

import "strings"

// Kind is a tooth without its side: one of 16, for example
// "mandibular-first-molar". Published anatomy is tabled by kind.
type Kind string

// The 16 kinds.
const (
	MaxillaryCentralIncisor  Kind = "maxillary-central-incisor"
	MaxillaryLateralIncisor  Kind = "maxillary-lateral-incisor"
	MaxillaryCanine          Kind = "maxillary-canine"
	MaxillaryFirstPremolar   Kind = "maxillary-first-premolar"
	MaxillarySecondPremolar  Kind = "maxillary-second-premolar"
	MaxillaryFirstMolar      Kind = "maxillary-first-molar"
	MaxillarySecondMolar     Kind = "maxillary-second-molar"
	MaxillaryThirdMolar      Kind = "maxillary-third-molar"
	MandibularCentralIncisor Kind = "mandibular-central-incisor"
	MandibularLateralIncisor Kind = "mandibular-lateral-incisor"
	MandibularCanine         Kind = "mandibular-canine"
	MandibularFirstPremolar  Kind = "mandibular-first-premolar"
	MandibularSecondPremolar Kind = "mandibular-second-premolar"
	MandibularFirstMolar     Kind = "mandibular-first-molar"
	MandibularSecondMolar    Kind = "mandibular-second-molar"
	MandibularThirdMolar     Kind = "mandibular-third-molar"
)

// Kinds returns all 16, upper before lower, from the midline outwards.
func Kinds() []Kind {
	return []Kind{
		MaxillaryCentralIncisor, MaxillaryLateralIncisor, MaxillaryCanine,
		MaxillaryFirstPremolar, MaxillarySecondPremolar,
		MaxillaryFirstMolar, MaxillarySecondMolar, MaxillaryThirdMolar,
		MandibularCentralIncisor, MandibularLateralIncisor, MandibularCanine,
		MandibularFirstPremolar, MandibularSecondPremolar,
		MandibularFirstMolar, MandibularSecondMolar, MandibularThirdMolar,
	}
}

// Kind of the tooth; "" for a tooth not identified.
func (c Code) Kind() Kind {
	if !c.Valid() {
		return ""
	}
	kinds := Kinds()
	if c.Arch() == Upper {
		return kinds[c.Position()-1]
	}
	return kinds[perQuadrant+c.Position()-1]
}

// Valid reports whether k is one of the 16 kinds.
func (k Kind) Valid() bool { return k.index() >= 0 }

func (k Kind) index() int {
	for i, other := range Kinds() {
		if other == k {
			return i
		}
	}
	return -1
}

// Arch of the kind; "" when k is no kind.
func (k Kind) Arch() Arch {
	switch i := k.index(); {
	case i < 0:
		return ""
	case i < perQuadrant:
		return Upper
	default:
		return Lower
	}
}

// Class of the kind; "" when k is no kind.
func (k Kind) Class() Class {
	if !k.Valid() {
		return ""
	}
	switch p := k.index()%perQuadrant + 1; {
	case p <= 2:
		return Incisor
	case p == 3:
		return Canine
	case p <= 5:
		return Premolar
	default:
		return Molar
	}
}

// Words of the kind, "lower first molar"; "" when k is no kind.
func (k Kind) Words() string {
	i := k.index()
	if i < 0 {
		return ""
	}
	return strings.Join([]string{string(k.Arch()), positionWords[i%perQuadrant+1]}, " ")
}
