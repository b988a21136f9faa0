package desk

import (
	"fmt"
	"net/url"
	"slices"
	"strconv"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// question is one question of the assessment, as the page shows it.
type question struct {
	// Field is its name in the form. Kind is answers (one of several), count
	// (a number of canals), sign (seen, absent, not looked for) or tick.
	Field, Kind string
	Ask, Hint   string
	Options     []option
	// Value is what stands in it.
	Value string
	Wrong string
}

// Chosen reports whether an answer is the one that was given.
func (s question) Chosen(value string) bool { return s.Value == value }

// part is a part of the assessment, in the order in which a visit comes to it.
type part struct {
	Key, Title string
	Questions  []question
	// Open says that the part is shown unfolded: all are, but for what is seen
	// after opening, as long as nothing was.
	Open bool
	// Extra names the further fields of a part: diagnosis, opening, shape,
	// bear, expected.
	Extra []string
}

// answered reports whether a question of the part has an answer, or a message.
func (p part) answered() bool {
	return slices.ContainsFunc(p.Questions, func(s question) bool {
		return s.Wrong != "" || s.Kind == "tick" && len(s.Options) > 0 || s.Kind != "tick" && s.Value != ""
	})
}

// order of a visit: which criteria, signs and facts belong to which part. What
// a later catalogue adds and no part names is asked at the end.
var visitOrder = []struct {
	key                    string
	criteria, signs, facts []string
	extra                  []string
}{
	{key: "history", criteria: []string{"medical-history", "anaesthesia-history", "trauma-history"}},
	{key: "patient", criteria: []string{"cooperation", "emergency"}, facts: []string{"pain", "swelling"}, extra: []string{"bear"}},
	{key: "tests", criteria: []string{"diagnosis", "periodontal-condition"}, extra: []string{"diagnosis"}},
	{key: "mouth", criteria: []string{"mouth-opening", "gag-reflex"}, extra: []string{"opening"}},
	{key: "radiograph", criteria: []string{"radiographs", "root-curvature", "apex-width", "axis", "root-division", "tooth-length", "canal-appearance", "resorption", "vital-structures"}},
	{key: "canals", signs: []string{"film-count", "angled-film-count", "cbct-count", "canal-disappears-mid-root", "visible-bifurcation", "contralateral-count", "filled-count"},
		facts: []string{"narrow-mesial-canals"}, extra: []string{"shape"}},
	{key: "tooth", criteria: []string{"arch-position", "tilt", "rotation", "isolation", "crown-form"}, facts: []string{"caries", "crowned", "post", "splint", "not-restorable"}},
	{key: "earlier", criteria: []string{"endodontic-history"}},
	{key: "wishes", facts: []string{"long-journey", "restore-same-day", "length-image"}},
	{key: "opened", signs: []string{"off-centre-orifice", "further-orifice", "search-eye", "search-loupes", "search-microscope", "search-trough", "canals-located"},
		facts: []string{"exudate"}, extra: []string{"expected"}},
}

// seenOrNot are the signs that are seen or not, without a count.
var seenOrNot = []string{"canal-disappears-mid-root", "visible-bifurcation", "off-centre-orifice"}

// parts lays the questions of an edition out in the order of a visit.
func (q *ask) parts(f *form, named map[string]entries, edition string, known *vw.Tooth) []part {
	var out []part
	asked := map[string]bool{}
	criteria := map[string]*vw.CatalogueEntry{}
	for _, c := range named["difficulty-criteria"].belonging(edition) {
		criteria[c.GetId()] = c
	}
	for _, o := range visitOrder {
		p := part{Key: o.key, Title: q.t("assess.part-" + o.key), Extra: o.extra}
		for _, id := range o.criteria {
			if c := criteria[id]; c != nil && !(id == "arch-position" && known.GetIso() != "") { // the tooth itself tells its place
				p.Questions = append(p.Questions, q.criterion(f, named, c))
			}
			asked[id] = true
		}
		for _, id := range o.signs {
			if e := named["evidence-signs"].by[id]; e != nil {
				p.Questions = append(p.Questions, q.sign(f, e))
			}
			asked["sign."+id] = true
		}
		for _, id := range o.facts {
			if e := named["factors"].by[id]; e != nil {
				p.Questions = append(p.Questions, q.fact(f, e))
			}
			asked["fact."+id] = true
		}
		p.Open = o.key != "opened" || p.answered() || f.Get("expected_canals")+f.Wrong["expected_canals"] != ""
		out = append(out, p)
	}
	rest := part{Key: "more", Title: q.t("assess.part-more"), Open: true}
	for _, c := range named["difficulty-criteria"].belonging(edition) {
		if !asked[c.GetId()] {
			rest.Questions = append(rest.Questions, q.criterion(f, named, c))
		}
	}
	for _, e := range named["evidence-signs"].list {
		if !asked["sign."+e.GetId()] {
			rest.Questions = append(rest.Questions, q.sign(f, e))
		}
	}
	for _, e := range named["factors"].list {
		if !asked["fact."+e.GetId()] {
			rest.Questions = append(rest.Questions, q.fact(f, e))
		}
	}
	if len(rest.Questions) > 0 {
		out = append(out, rest)
	}
	return out
}

func (q *ask) criterion(f *form, named map[string]entries, c *vw.CatalogueEntry) question {
	field := "answer." + c.GetId()
	s := question{Field: field, Kind: "answers", Ask: c.GetExplanation(), Value: f.Get(field), Wrong: f.Wrong[field]}
	for _, a := range named["difficulty-answers"].belonging(c.GetId()) {
		s.Options = append(s.Options, option{Value: a.GetId(), Text: a.GetTitle()})
	}
	s.Options = append(s.Options, option{Value: "", Text: q.t("assess.unknown")})
	return s
}

func (q *ask) sign(f *form, e *vw.CatalogueEntry) question {
	field := "sign." + e.GetId()
	s := question{Field: field, Kind: "count", Ask: sentenceStart(e.GetTitle()), Value: f.Get(field), Wrong: f.Wrong[field]}
	if slices.Contains(seenOrNot, e.GetId()) {
		s.Kind = "sign"
		s.Options = []option{{Value: "seen", Text: q.t("assess.seen")}, {Value: "absent", Text: q.t("assess.absent")}, {Value: "", Text: q.t("assess.not-looked")}}
	}
	if e.GetId() == "further-orifice" {
		s.Hint = q.t("assess.orifices-in-all")
	}
	return s
}

func (q *ask) fact(f *form, e *vw.CatalogueEntry) question {
	s := question{Field: "fact", Kind: "tick", Ask: sentenceStart(e.GetTitle()), Value: e.GetId()}
	if slices.Contains(f.All("fact"), e.GetId()) {
		s.Options = []option{{Value: e.GetId()}}
	}
	return s
}

// findings reads the form, and says which field each path of the request is.
func (q *ask) findings(f *form, named map[string]entries) (*vw.Findings, map[string]string) {
	out := &vw.Findings{Edition: f.Get("edition"), Shape: f.Get("shape"), ExpectedCanals: f.whole(q, "expected_canals", 1, 6),
		MouthOpeningMm: f.number(q, "mouth_opening_mm", 5, 80)}
	fields := map[string]string{"findings.expected_canals": "expected_canals", "findings.mouth_opening_mm": "mouth_opening_mm", "findings.shape": "shape",
		"findings.diagnosis": "pulpal", "findings.diagnosis.pulpal": "pulpal", "findings.diagnosis.apical": "apical", "findings.tolerance": "bear_minutes",
		"findings.evidence": "evidence", "findings.answers": "answers", "findings.factors": "facts", "findings.edition": "answers"}
	for _, c := range named["difficulty-criteria"].belonging(out.GetEdition()) {
		field := "answer." + c.GetId()
		if answer := f.Get(field); answer != "" {
			fields[fmt.Sprintf("findings.answers[%d]", len(out.GetAnswers()))] = field
			out.Answers = append(out.Answers, &vw.Answer{Criterion: c.GetId(), Answer: answer})
		}
	}
	for _, e := range named["evidence-signs"].list {
		field := "sign." + e.GetId()
		value := f.Get(field)
		if value == "" {
			continue
		}
		sign := &vw.Evidence{Sign: e.GetId(), Absent: value == "absent"}
		if value != "seen" && value != "absent" {
			if sign.Count = f.whole(q, field, 0, 6); sign.Count == nil {
				continue
			}
		}
		fields[fmt.Sprintf("findings.evidence[%d]", len(out.GetEvidence()))] = field
		out.Evidence = append(out.Evidence, sign)
	}
	out.Factors = append(out.Factors, f.All("fact")...)
	if f.Get("pulpal")+f.Get("apical") != "" {
		out.Diagnosis = &vw.Diagnosis{Pulpal: f.Get("pulpal"), Apical: f.Get("apical")}
	}
	if minutes := f.whole(q, "bear_minutes", 5, 480); minutes != nil {
		chance := 0.1
		if typed := f.number(q, "bear_chance", 0, 0.5); typed != nil {
			chance = *typed
		}
		out.Tolerance = &vw.Tolerance{Minutes: *minutes, Chance: chance}
	}
	return out, fields
}

// findingsValues are the fields of the form as an assessment has them.
func findingsValues(g *vw.Findings, d *vw.Diagnosis) url.Values {
	if g == nil {
		g = &vw.Findings{} // nothing is known yet
	}
	v := url.Values{"edition": {g.GetEdition()}, "shape": {g.GetShape()}, "fact": g.GetFactors()}
	if g.GetDiagnosis() != nil {
		d = g.GetDiagnosis()
	}
	v.Set("pulpal", d.GetPulpal())
	v.Set("apical", d.GetApical())
	for _, a := range g.GetAnswers() {
		if a.GetAnswer() != "unknown" {
			v.Set("answer."+a.GetCriterion(), a.GetAnswer())
		}
	}
	for _, e := range g.GetEvidence() {
		switch {
		case e.Count != nil:
			v.Set("sign."+e.GetSign(), strconv.Itoa(int(e.GetCount())))
		case e.GetAbsent():
			v.Set("sign."+e.GetSign(), "absent")
		default:
			v.Set("sign."+e.GetSign(), "seen")
		}
	}
	if g.ExpectedCanals != nil {
		v.Set("expected_canals", strconv.Itoa(int(g.GetExpectedCanals())))
	}
	if g.MouthOpeningMm != nil {
		v.Set("mouth_opening_mm", strconv.FormatFloat(g.GetMouthOpeningMm(), 'f', -1, 64))
	}
	if t := g.GetTolerance(); t != nil {
		v.Set("bear_minutes", strconv.Itoa(int(t.GetMinutes())))
		v.Set("bear_chance", strconv.FormatFloat(t.GetChance(), 'f', -1, 64))
	}
	return v
}
