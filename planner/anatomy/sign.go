package anatomy

import (
	"fmt"
	"math"

	"github.com/visitwright/visitwright/planner/provenance"
	"github.com/visitwright/visitwright/planner/tooth"
)

// Sign is something that speaks about the number of canals to treat.
type Sign string

// The signs. Those with a count say how many canals were seen, filled or
// located; the others are present or absent.
const (
	FilmCount          Sign = "film-count"                // canals on one straight film
	AngledFilmCount    Sign = "angled-film-count"         // canals on a film shifted by 20 degrees or more
	CBCTCount          Sign = "cbct-count"                // canals on a volume
	FastBreak          Sign = "canal-disappears-mid-root" // a canal that disappears mid-root
	Bifurcation        Sign = "visible-bifurcation"       // a division seen on the film
	OffCentreOrifice   Sign = "off-centre-orifice"        // an orifice that is not central in its root
	FurtherOrifice     Sign = "further-orifice"           // orifices seen in all, one more than located or usual when no count is given
	ContralateralCount Sign = "contralateral-count"       // canals of the same tooth on the other side
	SearchEye          Sign = "search-eye"                // a search by mirror and probe that ended with so many located
	SearchLoupes       Sign = "search-loupes"             // the same under loupes
	SearchMicroscope   Sign = "search-microscope"         // the same under the microscope
	SearchTrough       Sign = "search-trough"             // the same with the dentine ledge cut back under the microscope
	FilledCount        Sign = "filled-count"              // canals filled by an earlier treatment
	CanalsLocated      Sign = "canals-located"            // canals with a file in them: a fact, which sets lower counts aside
)

// Signs lists all signs in the order in which a treatment meets them.
func Signs() []Sign {
	return []Sign{
		FilmCount, AngledFilmCount, CBCTCount, FastBreak, Bifurcation, FilledCount, ContralateralCount,
		OffCentreOrifice, FurtherOrifice, SearchEye, SearchLoupes, SearchMicroscope, SearchTrough, CanalsLocated,
	}
}

// form is how a sign's likelihood is written down; see data/signs.csv.
type form string

const (
	formYesNo   form = "yesno"
	formCount   form = "count"
	formAtLeast form = "atleast"
	formAgree   form = "agree"
	formSearch  form = "search"
	formLocated form = "located"
)

type signRow struct {
	sign                              Sign
	kinds                             []tooth.Kind
	form                              form
	group                             string
	rank, beyond                      int
	routine, sensitivity, specificity float64
	sensMark, specMark                provenance.Mark
}

type signRule struct {
	share float64
	mark  provenance.Mark
}

func readSign(r *record) signRow {
	row := signRow{
		sign: Sign(r.text("sign")), kinds: r.kinds(), form: form(r.text("form")), group: r.text("group"),
		rank: r.whole("rank", 1, 9), beyond: r.whole("beyond", 0, Most),
		routine: r.percent("routine"), sensitivity: r.percent("sensitivity"), specificity: r.percent("specificity"),
		sensMark: r.mark("sens_mark", "sens_source"), specMark: r.mark("spec_mark", "spec_source"),
	}
	switch row.form {
	case formYesNo, formCount, formAtLeast, formAgree, formSearch, formLocated:
	default:
		r.fail("form", "yesno, count, atleast, agree, search or located")
	}
	return row
}

func signFor(sign Sign, kind tooth.Kind) (signRow, bool) {
	for _, row := range shipped().signs {
		if row.sign != sign {
			continue
		}
		for _, k := range row.kinds {
			if k == kind {
				return row, true
			}
		}
	}
	return signRow{}, false
}

// mark is the weaker of the two: a ratio is no better than its worse half.
func (s signRow) mark() provenance.Mark {
	if s.usesSpecificity() {
		return weaker(s.sensMark, s.specMark)
	}
	return s.sensMark
}

func (s signRow) usesSpecificity() bool {
	return s.form == formYesNo || s.form == formCount || s.form == formAtLeast
}

// Ratio is the published or assumed weight of a present-or-absent sign.
type Ratio struct {
	Sensitivity, Specificity float64 // shares of one
	Beyond                   int     // the sign tells more canals than this from the rest
	Mark                     provenance.Mark
}

// Positive is the likelihood ratio of the sign when present.
func (r Ratio) Positive() float64 { return r.Sensitivity / (1 - r.Specificity) }

// Negative is the likelihood ratio of the sign when absent.
func (r Ratio) Negative() float64 { return (1 - r.Sensitivity) / r.Specificity }

// RatioOf returns the weight of a present-or-absent sign for a kind; ok is
// false for signs with a count.
func RatioOf(sign Sign, kind tooth.Kind) (ratio Ratio, ok bool) {
	row, ok := signFor(sign, kind)
	if !ok || row.form != formYesNo {
		return Ratio{}, false
	}
	return Ratio{Sensitivity: row.sensitivity, Specificity: row.specificity, Beyond: row.beyond, Mark: row.mark()}, true
}

// frame is what a likelihood is relative to.
type frame struct {
	prior   []float64 // planning row; index = canals
	routine int
	most    int
}

// likelihood of the evidence for each true number of canals, 1 to f.most.
func (s signRow) likelihood(e Evidence, f frame) []float64 {
	out := make([]float64, f.most+1)
	for n := 1; n <= f.most; n++ {
		switch s.form {
		case formYesNo:
			present := 1 - s.specificity
			if n > s.beyond {
				present = s.sensitivity
			}
			out[n] = present
			if e.Absent {
				out[n] = 1 - present
			}
		case formCount:
			out[n] = s.shows(e.Count, n, f)
		case formAtLeast:
			out[n] = 1 - s.specificity
			if n >= e.Count {
				out[n] = s.sensitivity
			}
		case formAgree:
			floor := shipped().signRules["other-side-floor"].share
			out[n] = (1 - s.sensitivity) * math.Max(f.prior[e.Count], floor)
			if n == e.Count {
				out[n] += s.sensitivity
			}
		case formSearch:
			if n >= e.Count {
				out[n] = math.Pow(1-s.sensitivity, float64(n-e.Count))
			}
		case formLocated:
			if n >= e.Count {
				out[n] = 1
			}
		}
	}
	return out
}

// shows is the chance that a count shows k canals when there are n. A count
// comes short by one, seldom by more; one too many is shown with the chance of
// a false reading, and beyond the routine number with its square, since there
// the first further canal is real.
func (s signRow) shows(k, n int, f frame) float64 {
	over := 1 - s.specificity
	seen := s.routine
	if n > f.routine {
		over *= over
		seen = s.sensitivity
	}
	if n == f.most {
		over = 0 // a count above what the tooth can have is refused, not weighed
	}
	short := 1 - seen
	if n == 1 {
		short = 0
	}
	switch {
	case k == n+1:
		return over
	case k == n:
		return 1 - over - short
	case k > n:
		return 0
	}
	another := shipped().signRules["short-by-another"].share
	total := 0.0
	for j := 1; j < n; j++ {
		total += math.Pow(another, float64(j-1))
	}
	return short * math.Pow(another, float64(n-k-1)) / total
}

// weight says in words what the figures of a sign are.
func (s signRow) weight(e Evidence) string {
	hundred := func(share float64) string { return percentText(share) + " of 100" }
	switch s.form {
	case formYesNo:
		return fmt.Sprintf("seen in %s teeth with more than %s and in %s of the others",
			hundred(s.sensitivity), canalsText(s.beyond), hundred(1-s.specificity))
	case formCount:
		return fmt.Sprintf("it shows a canal beyond the routine number in %s teeth that have one, and one too many in %s",
			hundred(s.sensitivity), hundred(1-s.specificity))
	case formAtLeast:
		return fmt.Sprintf("seen in %s teeth that have it, and taken for one in %s of the others",
			hundred(s.sensitivity), hundred(1-s.specificity))
	case formAgree:
		return fmt.Sprintf("the other side is taken to tell the count in %s teeth and nothing in the rest", hundred(s.sensitivity))
	case formSearch:
		return fmt.Sprintf("such a search finds a canal that is there in %s teeth", hundred(s.sensitivity))
	}
	return "a file is in them"
}

// SignInfo describes a sign for a list to choose from.
type SignInfo struct {
	Sign   Sign
	Words  string
	Counts bool // wants a count; else it is present or absent
}

// Catalogue lists the signs in the order in which a treatment meets them.
func Catalogue() []SignInfo {
	words := map[Sign]string{
		FilmCount: "canals on a straight film", AngledFilmCount: "canals on a film shifted by 20 degrees or more",
		CBCTCount: "canals counted on CBCT", FastBreak: "a canal disappears mid-root", Bifurcation: "a division of the canal is seen on a film",
		FilledCount: "canals filled by an earlier treatment", ContralateralCount: "canals in the same tooth on the other side",
		OffCentreOrifice: "an orifice lies off-centre in its root", FurtherOrifice: "a further orifice is seen (orifices in all)",
		SearchEye:        "canals located when a search with mirror and probe ended",
		SearchLoupes:     "canals located when a search under loupes ended",
		SearchMicroscope: "canals located when a search under the microscope ended",
		SearchTrough:     "canals located when a search under the microscope, with the dentine ledge cut back, ended",
		CanalsLocated:    "canals located with a file",
	}
	out := make([]SignInfo, 0, len(words))
	for _, s := range Signs() {
		yesNo := s == FastBreak || s == Bifurcation || s == OffCentreOrifice
		out = append(out, SignInfo{Sign: s, Words: words[s], Counts: !yesNo})
	}
	return out
}
