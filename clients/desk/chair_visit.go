package desk

import (
	"cmp"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"github.com/google/uuid"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// chairViews are the parts of a running visit, each a page of its own that
// loads fast on a tablet by the chair.
var chairViews = []string{"work", "canals", "events", "numb", "close", "entries"}

// visitView is one part of a running visit.
type visitView struct {
	*chairHead
	Form   *form
	Done   string
	Parts  []chairPart
	Next   *stepTap
	Late   bool // the time of a mark was opened
	Last   *vw.ChairMark
	Event  *vw.ChairHappening
	Canals []canalCard
	Kinds  []eventGroup
	Checks []checkLine
	Gaps   []*vw.ChairStage
	// What is placed at the end.
	Dressings, Temporaries []option
	Way                    *vw.WayOn
	Preview                *vw.ChairVisit
	Entries                []entryLine
	Solutions              []option
}

func (q *ask) visitPage() (*page, error) {
	return q.showVisit(newForm(nil), cmp.Or(q.form.Get("view"), "work"), 0)
}

// showVisit shows one part of a visit; f is what was typed into it.
func (q *ask) showVisit(f *form, view string, status int) (*page, error) {
	if !slices.Contains(chairViews, view) {
		return nil, errNoPage
	}
	h, err := q.readChair(view)
	if err != nil {
		return nil, err
	}
	p := &visitView{chairHead: h, Form: f}
	p.Done = q.done("chair")
	if err := q.fillView(p); err != nil {
		return nil, err
	}
	return &page{name: "chair", title: q.titleOf("chair.title", h.head), section: "patients", bare: true, data: p, status: status}, nil
}

func (q *ask) fillView(p *visitView) error {
	v := p.Visit
	p.Last = lastMark(v)
	for _, e := range v.GetEvents() {
		if e.GetMark() == q.form.Get("event") {
			p.Event = e
		}
	}
	if p.Ended() {
		p.View = "ended"
		return nil
	}
	switch p.View {
	case "work":
		p.Parts, p.Next = q.chairParts(v)
		p.Checks = q.checkLines(v)
	case "canals":
		p.Canals = q.canalCards(p)
	case "events":
		p.Kinds = q.eventGroups(p)
	case "numb":
		return q.fillSolutions(p)
	case "close":
		q.fillClose(p)
	case "entries":
		p.Entries = q.entryLines(v)
	}
	return nil
}

// fillSolutions are the solutions that the practice uses, also while there is
// no limit for want of a weight.
func (q *ask) fillSolutions(p *visitView) error {
	for _, a := range p.Visit.GetAnaesthetic().GetAgents() {
		p.Solutions = append(p.Solutions, option{Value: solutionValue(a.GetSolution()), Text: a.GetText()})
	}
	if len(p.Solutions) > 0 {
		return nil
	}
	settings, err := q.settings()
	if err != nil {
		return err
	}
	named, err := q.catalogues("anaesthetics")
	if err != nil {
		return err
	}
	for _, s := range settings.GetAnaesthetics() {
		p.Solutions = append(p.Solutions, option{Value: solutionValue(s), Text: q.t("chair.solution-is", named["anaesthetics"].Title(s.GetAgent()), s.GetPercent(), s.GetVasoconstrictor(), s.GetOneIn())})
	}
	return nil
}

// lastMark is the entry that "take it back" means; nil when only the beginning
// stands.
func lastMark(v *vw.ChairVisit) *vw.ChairMark {
	for _, m := range slices.Backward(v.GetMarks()) {
		if !m.GetTakenBack() && m.GetTakeBack() == nil && m.GetCorrection() == nil && m.GetBegin() == nil && m.GetEnd() == nil && m.GetLog() == nil {
			return m
		}
	}
	return nil
}

// chairPart is one stage as it is tapped: a row for each step, a button for
// each canal.
type chairPart struct {
	Stage, Title string
	Done, Open   bool
	Left         int
	Rows         []stepRow
	CatchUp      string // value of the button; empty where there is no stage
	ID           string
}

type stepRow struct {
	Title string
	Taps  []stepTap
}

// stepTap is one button.
type stepTap struct {
	Title, Canal, Value string
	Done, Running, Next bool
}

// chairParts sets the order of the visit out for tapping; the step that comes next
// stands by itself as well.
func (q *ask) chairParts(v *vw.ChairVisit) (parts []chairPart, next *stepTap) {
	a := v.GetAnswer()
	for i, s := range v.GetOrder() {
		p := chairPart{Stage: s.GetStage(), Title: s.GetTitle(), Done: s.GetDone(), ID: "part-" + strconv.Itoa(i)}
		if s.GetStage() != "" && !s.GetDone() {
			p.CatchUp = s.GetStage()
		}
		for _, x := range s.GetSteps() {
			t := stepTap{Title: x.GetTitle(), Canal: x.GetCanal(), Value: x.GetStep() + "|" + x.GetCanal(), Done: x.GetDone(), Running: x.GetRunning()}
			if !t.Done {
				p.Left++
			}
			if next == nil && !t.Done && x.GetStep() == a.GetStepId() && x.GetCanal() == a.GetCanal() {
				t.Next, p.Open = true, true
				next = &t
			}
			if n := len(p.Rows); n > 0 && x.GetCanal() != "" && p.Rows[n-1].Title == x.GetTitle() {
				p.Rows[n-1].Taps = append(p.Rows[n-1].Taps, t)
				continue
			}
			p.Rows = append(p.Rows, stepRow{Title: x.GetTitle(), Taps: []stepTap{t}})
		}
		parts = append(parts, p)
	}
	return parts, next
}

// markID is the id of the entry that one button of a form makes: pressed twice,
// it is kept once.
func (f *form) markID(button string) string {
	base, err := uuid.Parse(f.RequestID)
	if err != nil {
		return uuid.NewString()
	}
	return uuid.NewSHA1(base, []byte(button)).String()
}

// checkLine is one question of the ready-to-fill check.
type checkLine struct {
	Field, Ask, Answer string
}

// checkFields are the questions in the order in which they are asked.
var checkFields = []string{"dry", "quiet", "to_length", "irrigation", "numb", "covered"}

func (q *ask) checkLines(v *vw.ChairVisit) []checkLine {
	a := v.GetReady().GetAnswers()
	given := map[string]*bool{"dry": a.Dry, "quiet": a.Quiet, "to_length": a.ToLength, "irrigation": a.Irrigation, "numb": a.Numb, "covered": a.Covered}
	var out []checkLine
	for _, field := range checkFields {
		c := checkLine{Field: field, Ask: q.t("chair.check-" + field)}
		if yes := given[field]; yes != nil {
			c.Answer = map[bool]string{true: "yes", false: "no"}[*yes]
		}
		out = append(out, c)
	}
	return out
}

// canalCard is one canal as it is edited in place.
type canalCard struct {
	*vw.ChairCanal
	ID     string
	Title  string
	Fields []canalField
	States []option
	Form   *form
	Open   bool
}

// canalField is one figure of a canal.
type canalField struct {
	ID, Name, Label, Unit, Value, Wrong, Mode, Hint string
	Wide                                            bool
}

func (q *ask) canalCards(p *visitView) []canalCard {
	var out []canalCard
	for i, c := range p.Visit.GetCanals() {
		card := canalCard{ChairCanal: c, ID: "canal-" + strconv.Itoa(i), Form: newForm(nil), Title: p.Named["canal-states"].Title(c.GetState())}
		known := url.Values{"state": {c.GetState()}, "zero_mm": {millimetres(c.GetZeroMm())}, "working_length_mm": {millimetres(c.GetWorkingLengthMm())},
			"reference_point": {c.GetReferencePoint()}, "file_size": {size(c.GetFileSize())}, "file_taper": {taper(c.GetFileTaper())}}
		if c.Patent != nil {
			known.Set("patent", map[bool]string{true: "yes", false: "no"}[c.GetPatent()])
		}
		if typed := p.Form.Get("canal"); typed == c.GetCanal() && !p.Form.ok() {
			card.Form, card.Open = p.Form, true
		} else {
			card.Form = newForm(known)
		}
		for _, field := range []canalField{
			{Name: "zero_mm", Mode: "decimal", Unit: q.t("chair.mm")}, {Name: "working_length_mm", Mode: "decimal", Unit: q.t("chair.mm"), Hint: q.t("chair.preset")},
			{Name: "file_size", Mode: "numeric"}, {Name: "file_taper", Mode: "decimal"}, {Name: "reference_point", Wide: true},
		} {
			field.ID, field.Label = card.ID+"-"+field.Name, q.t("chair.canal-"+field.Name)
			field.Value, field.Wrong = card.Form.Get(field.Name), card.Form.Wrong[field.Name]
			card.Fields = append(card.Fields, field)
		}
		if c.GetUndecided() != "" {
			card.Fields = append(card.Fields, canalField{ID: card.ID + "-decided", Name: "decided", Label: q.t("chair.canal-decided", c.GetUndecided()), Wide: true,
				Value: card.Form.Get("decided"), Wrong: card.Form.Wrong["decided"], Hint: q.t("chair.canal-decided-hint")})
		}
		for _, e := range p.Named["canal-states"].list {
			if e.GetId() != "possible" { // a likelihood, and nothing that is found
				card.States = append(card.States, option{Value: e.GetId(), Text: e.GetTitle(), Hint: e.GetExplanation()})
			}
		}
		out = append(out, card)
	}
	return out
}

func millimetres(v float64) string {
	if v == 0 {
		return ""
	}
	return strconv.FormatFloat(v, 'f', 1, 64)
}

func size(v int32) string {
	if v == 0 {
		return ""
	}
	return strconv.Itoa(int(v))
}

func taper(v float64) string {
	if v == 0 {
		return ""
	}
	return strconv.FormatFloat(v, 'f', 2, 64)
}

// eventGroup is the chair events of one kind.
type eventGroup struct {
	Title string
	Kinds []eventKind
}

// eventKind is one chair event that can be marked.
type eventKind struct {
	*vw.CatalogueEntry
	// What it names besides itself.
	Canal, New, Third, Partner bool
	Canals                     []string
	Form                       *form
	Open                       bool
	// Tells is what it does, before it is marked.
	Tells []string
}

// eventGroups are the chair events by what they are about: a canal, the tooth,
// and what ends the visit or the treatment.
func (q *ask) eventGroups(p *visitView) []eventGroup {
	groups := []eventGroup{{Title: q.t("chair.events-canal")}, {Title: q.t("chair.events-tooth")}, {Title: q.t("chair.events-end")}}
	var canals []string
	for _, c := range p.Visit.GetCanals() {
		canals = append(canals, c.GetCanal())
	}
	for _, e := range p.Named["chair-events"].list {
		if e.GetRetired() || !slices.Contains(e.GetTraits(), "marked") {
			continue
		}
		k := eventKind{CatalogueEntry: e, Canals: canals, Form: newForm(nil), Canal: slices.Contains(e.GetNeeds(), "canal"), New: slices.Contains(e.GetNeeds(), "new-canal"),
			Third: slices.Contains(e.GetNeeds(), "third"), Partner: slices.Contains(e.GetNeeds(), "partner")}
		if p.Form.Get("event") == e.GetId() && !p.Form.ok() {
			k.Form, k.Open = p.Form, true
		}
		for _, trait := range e.GetTraits()[1:] {
			k.Tells = append(k.Tells, q.words.Enum("chair.trait", shortened(trait)))
		}
		at := 1
		switch {
		case slices.Contains(e.GetTraits(), "ends-treatment") || slices.Contains(e.GetTraits(), "forces-stop"):
			at = 2
		case len(e.GetNeeds()) > 0:
			at = 0
		}
		groups[at].Kinds = append(groups[at].Kinds, k)
	}
	return groups
}

// solutionValue writes a solution as one value of a form.
func solutionValue(s *vw.AnaestheticSolution) string {
	return strings.Join([]string{s.GetAgent(), strconv.FormatFloat(s.GetPercent(), 'g', -1, 64), strconv.FormatFloat(s.GetCartridgeMl(), 'g', -1, 64), s.GetVasoconstrictor(), strconv.Itoa(int(s.GetOneIn()))}, "|")
}

// entryLine is one entry of the visit with what can be done to it.
type entryLine struct {
	*vw.ChairMark
	Number int
	// Fix: its time can be corrected, and it can be taken back.
	Fix bool
	// Who entered it: whoever reads, or somebody else.
	Who string
}

func (q *ask) entryLines(v *vw.ChairVisit) []entryLine {
	var out []entryLine
	for i, m := range slices.Backward(v.GetMarks()) {
		fix := !m.GetTakenBack() && m.GetTakeBack() == nil && m.GetCorrection() == nil && m.GetBegin() == nil && m.GetEnd() == nil && m.GetLog() == nil
		who := q.t("chair.by-other")
		if m.GetActor() == q.me.GetSubject() {
			who = q.t("chair.by-you")
		}
		out = append(out, entryLine{ChairMark: m, Number: i + 1, Fix: fix, Who: who})
	}
	return out
}
