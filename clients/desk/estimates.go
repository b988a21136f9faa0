package desk

import (
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"google.golang.org/genproto/googleapis/type/dayofweek"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

var estimateRoutes = []route{
	{"GET /practice/estimates", everybody, (*ask).estimatesPage},
	{"POST /practice/estimates", []vw.Role{vw.Role_ROLE_MANAGER, vw.Role_ROLE_CLINICIAN}, (*ask).keepEstimates},
	{"GET /figures", everybody, (*ask).figuresPage},
	{"GET /figures/own", []vw.Role{vw.Role_ROLE_MANAGER, vw.Role_ROLE_CLINICIAN}, (*ask).ownFigurePage},
	{"POST /figures/own", []vw.Role{vw.Role_ROLE_MANAGER, vw.Role_ROLE_CLINICIAN}, (*ask).keepOwnFigure},
}

// estimatesPage is how the practice works, as far as plans go by it.
type estimatesPage struct {
	Form *form
	Done string
	// Choices by field.
	Choices map[string][]option
	// Costs are the fields of what is weighed.
	Costs []string
}

// costFields are the parts of the cost, in minutes of work.
var costFields = []string{"work", "overrun", "idle", "visit", "unused"}

func (q *ask) settings() (*vw.PracticeSettings, error) {
	return q.planner().GetPracticeSettings(q, &vw.GetPracticeSettingsRequest{Name: q.practice + "/settings"})
}

func (q *ask) estimatesFields(f *form) (*estimatesPage, error) {
	p := &estimatesPage{Form: f, Done: q.done("practice"), Costs: costFields, Choices: map[string][]option{}}
	named, err := q.catalogues("medicaments", "temporaries", "anaesthetic-profiles", "difficulty-editions")
	if err != nil {
		return nil, err
	}
	shipped := q.t("practice.as-shipped")
	p.Choices["dressing"] = named["medicaments"].options(shipped)
	p.Choices["temporary"] = named["temporaries"].options(shipped)
	p.Choices["profile"] = named["anaesthetic-profiles"].options(shipped)
	p.Choices["edition"] = named["difficulty-editions"].options(shipped)
	for _, n := range []vw.ToothNotation{vw.ToothNotation_TOOTH_NOTATION_ISO, vw.ToothNotation_TOOTH_NOTATION_UNIVERSAL, vw.ToothNotation_TOOTH_NOTATION_QUADRANT} {
		word := enumWord(n.String(), "TOOTH_NOTATION_")
		p.Choices["notation"] = append(p.Choices["notation"], option{Value: word, Text: q.t("practice.notation-" + word)})
	}
	for _, d := range []string{"Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday"} {
		p.Choices["week"] = append(p.Choices["week"], option{Value: strings.ToLower(d), Text: q.t("words.long-" + d)})
	}
	for _, o := range []vw.DateOrder{vw.DateOrder_DATE_ORDER_DAY_MONTH, vw.DateOrder_DATE_ORDER_MONTH_DAY, vw.DateOrder_DATE_ORDER_YEAR_FIRST} {
		word := enumWord(o.String(), "DATE_ORDER_")
		p.Choices["order"] = append(p.Choices["order"], option{Value: word, Text: q.t("practice.order-" + word)})
	}
	for _, s := range []vw.FiguresSeenBy{vw.FiguresSeenBy_FIGURES_SEEN_BY_OWNER, vw.FiguresSeenBy_FIGURES_SEEN_BY_MANAGER, vw.FiguresSeenBy_FIGURES_SEEN_BY_CLINICIANS} {
		word := enumWord(s.String(), "FIGURES_SEEN_BY_")
		p.Choices["seen"] = append(p.Choices["seen"], option{Value: word, Text: q.t("practice.seen-" + word)})
	}
	return p, nil
}

// enumWord is the value of an enum as forms write it.
func enumWord(name, prefix string) string { return strings.ToLower(strings.TrimPrefix(name, prefix)) }

func estimateValues(s *vw.PracticeSettings) url.Values {
	v := url.Values{
		"title": {s.GetTitle()}, "zone": {s.GetZone()}, "notation": {enumWord(s.GetNotation().String(), "TOOTH_NOTATION_")},
		"least": {strconv.Itoa(int(s.GetGrid().GetLeast()))}, "most": {strconv.Itoa(int(s.GetGrid().GetMost()))}, "step": {strconv.Itoa(int(s.GetGrid().GetStep()))},
		"dressing": {s.GetDressing()}, "temporary": {s.GetTemporary()}, "profile": {s.GetAnaestheticProfile()}, "edition": {s.GetDifficultyEdition()},
		"week": {strings.ToLower(s.GetWeekStart().String())}, "order": {enumWord(s.GetDateOrder().String(), "DATE_ORDER_")},
		"irrigation": {irrigationLines(s)},
		"urgent":     {s.GetUrgentInstruction()}, "seen": {enumWord(s.GetClinicianFigures().String(), "FIGURES_SEEN_BY_")}, "etag": {s.GetEtag()},
	}
	if s.GetWeekStart() == dayofweek.DayOfWeek_DAY_OF_WEEK_UNSPECIFIED {
		v.Set("week", "monday")
	}
	if s.GetDateOrder() == vw.DateOrder_DATE_ORDER_UNSPECIFIED {
		v.Set("order", "day_month")
	}
	if s.GetNotation() == vw.ToothNotation_TOOTH_NOTATION_UNSPECIFIED {
		v.Set("notation", "iso")
	}
	if s.GetClinicianFigures() == vw.FiguresSeenBy_FIGURES_SEEN_BY_UNSPECIFIED {
		v.Set("seen", "owner")
	}
	c := s.GetCost()
	for i, value := range []float64{c.GetWork(), c.GetOverrun(), c.GetIdle(), c.GetVisit(), c.GetUnused()} {
		v.Set(costFields[i], strconv.FormatFloat(value, 'f', -1, 64))
	}
	if s.GetMicroscope() {
		v.Set("microscope", "yes")
	}
	if s.GetCoreSameVisit() {
		v.Set("core", "yes")
	}
	return v
}

func (q *ask) estimatesPage() (*page, error) {
	s, err := q.settings()
	if err != nil {
		return nil, err
	}
	p, err := q.estimatesFields(newForm(estimateValues(s)))
	if err != nil {
		return nil, err
	}
	return &page{name: "practice-estimates", title: q.t("practice.estimates"), section: "practice", data: p}, nil
}

func (q *ask) keepEstimates() (*page, error) {
	f := q.typed()
	p, err := q.estimatesFields(f)
	if err != nil {
		return nil, err
	}
	s := &vw.PracticeSettings{Name: q.practice + "/settings", Etag: f.Get("etag"), Title: f.Get("title"), Zone: f.Get("zone"), Grid: &vw.LengthGrid{}, Cost: &vw.Cost{},
		Dressing: f.chosen(q, "dressing", p.Choices["dressing"]), Temporary: f.chosen(q, "temporary", p.Choices["temporary"]),
		AnaestheticProfile: f.chosen(q, "profile", p.Choices["profile"]), DifficultyEdition: f.chosen(q, "edition", p.Choices["edition"]),
		UrgentInstruction: f.Get("urgent"), Microscope: f.On("microscope"), CoreSameVisit: f.On("core"),
		Notation:         vw.ToothNotation(vw.ToothNotation_value["TOOTH_NOTATION_"+strings.ToUpper(f.chosen(q, "notation", p.Choices["notation"]))]),
		WeekStart:        dayofweek.DayOfWeek(dayofweek.DayOfWeek_value[strings.ToUpper(f.chosen(q, "week", p.Choices["week"]))]),
		DateOrder:        vw.DateOrder(vw.DateOrder_value["DATE_ORDER_"+strings.ToUpper(f.chosen(q, "order", p.Choices["order"]))]),
		ClinicianFigures: vw.FiguresSeenBy(vw.FiguresSeenBy_value["FIGURES_SEEN_BY_"+strings.ToUpper(f.chosen(q, "seen", p.Choices["seen"]))]),
	}
	for field, to := range map[string]*int32{"least": &s.Grid.Least, "most": &s.Grid.Most, "step": &s.Grid.Step} {
		if n := f.whole(q, field, 1, 480); n != nil {
			*to = *n
		} else {
			f.wrong(field, q.t("form.whole-wrong", 1, 480))
		}
	}
	for field, to := range map[string]*float64{"work": &s.Cost.Work, "overrun": &s.Cost.Overrun, "idle": &s.Cost.Idle, "visit": &s.Cost.Visit, "unused": &s.Cost.Unused} {
		if n := f.number(q, field, 0, 1000); n != nil {
			*to = *n
		} else {
			f.wrong(field, q.t("form.number-wrong", 0, 1000))
		}
	}
	if s.Sequences, err = q.ownSequences(f); err != nil {
		return nil, err
	}
	if f.ok() {
		_, err = q.planner().UpdatePracticeSettings(q, &vw.UpdatePracticeSettingsRequest{Settings: s, RequestId: f.RequestID, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{
			"title", "zone", "notation", "grid", "cost", "dressing", "temporary", "anaesthetic_profile", "difficulty_edition", "urgent_instruction", "microscope", "core_same_visit", "clinician_figures", "week_start", "date_order", "sequences"}}})
		switch {
		case err == nil:
			return goTo("/practice/estimates?done=kept"), nil
		case conflict(err):
			now, err := q.settings()
			if err != nil {
				return nil, err
			}
			f.meanwhile(q, estimateValues(now))
		case !f.refused(err, map[string]string{"settings.title": "title", "settings.zone": "zone", "settings.grid": "step", "settings.grid.least": "least", "settings.grid.most": "most", "settings.grid.step": "step",
			"settings.cost.work": "work", "settings.cost.overrun": "overrun", "settings.cost.idle": "idle", "settings.cost.visit": "visit", "settings.cost.unused": "unused", "settings.cost": "work",
			"settings.dressing": "dressing", "settings.temporary": "temporary", "settings.urgent_instruction": "urgent", "settings.sequences": "irrigation"}):
			return nil, err
		}
	}
	return &page{name: "practice-estimates", title: q.t("practice.estimates"), section: "practice", data: p, status: http.StatusUnprocessableEntity}, nil
}

// figuresPage lists every figure that a plan may use, with its standing and its
// source.
type figuresPage struct {
	Query  string
	Groups []figureGroup
	Count  int
	Done   string
}

type figureGroup struct {
	Title string
	Rows  []figureRow
}

// figureRow is one figure; Own is the practice's in its place.
type figureRow struct {
	ID   string
	Name string
	*vw.Figure
	Own *vw.FigureOverride
}

// mostFigures keeps a page light: there are many hundred figures.
const mostFigures = 150

func (q *ask) figuresPage() (*page, error) {
	named, err := q.catalogues("figures")
	if err != nil {
		return nil, err
	}
	s, err := q.settings()
	if err != nil {
		return nil, err
	}
	p := &figuresPage{Query: strings.TrimSpace(q.form.Get("q")), Done: q.done("figures")}
	words := strings.Fields(strings.ToLower(p.Query))
	for _, e := range named["figures"].list {
		if !figureMatches(e, words) || len(e.GetFigures()) == 0 {
			continue
		}
		p.Count++
		if p.Count > mostFigures {
			continue
		}
		if n := len(p.Groups); n == 0 || p.Groups[n-1].Title != e.GetBelongsTo() {
			p.Groups = append(p.Groups, figureGroup{Title: e.GetBelongsTo()})
		}
		g := &p.Groups[len(p.Groups)-1]
		g.Rows = append(g.Rows, figureRow{ID: e.GetId(), Name: figureName(e), Figure: e.GetFigures()[0], Own: overrideOf(s, e.GetId())})
	}
	return &page{name: "figures", title: q.t("figures.title"), section: "practice", data: p}, nil
}

// figureName is a figure in words, without the group it stands in.
func figureName(e *vw.CatalogueEntry) string {
	return strings.ReplaceAll(strings.TrimPrefix(strings.TrimPrefix(e.GetTitle(), e.GetBelongsTo()), ", "), "-", " ")
}

func figureMatches(e *vw.CatalogueEntry, words []string) bool {
	in := strings.ToLower(e.GetId() + " " + e.GetTitle())
	if len(e.GetFigures()) > 0 {
		in += " " + strings.ToLower(e.GetFigures()[0].GetMeaning()+" "+e.GetFigures()[0].GetProvenance().GetSource())
	}
	return !slices.ContainsFunc(words, func(w string) bool { return !strings.Contains(in, w) })
}

func overrideOf(s *vw.PracticeSettings, id string) *vw.FigureOverride {
	for _, o := range s.GetOverrides() {
		if o.GetFigure() == id {
			return o
		}
	}
	return nil
}

// ownFigurePage sets one figure of the practice's own, or takes it back.
type ownFigurePage struct {
	Form *form
	Row  figureRow
}

func (q *ask) ownFigure(f *form) (*ownFigurePage, *vw.PracticeSettings, error) {
	named, err := q.catalogues("figures")
	if err != nil {
		return nil, nil, err
	}
	e := named["figures"].by[q.form.Get("figure")]
	if e == nil || len(e.GetFigures()) == 0 {
		return nil, nil, errNoPage
	}
	s, err := q.settings()
	return &ownFigurePage{Form: f, Row: figureRow{ID: e.GetId(), Name: figureName(e), Figure: e.GetFigures()[0], Own: overrideOf(s, e.GetId())}}, s, err
}

func (q *ask) ownFigurePage() (*page, error) {
	f := newForm(nil)
	p, s, err := q.ownFigure(f)
	if err != nil {
		return nil, err
	}
	f.values = ownFigureValues(p.Row.Own, s)
	f.Set("figure", p.Row.ID)
	return &page{name: "figure-own", title: q.t("figures.own"), section: "practice", data: p}, nil
}

// ownFigureValues are the fields of the form as the settings have them.
func ownFigureValues(o *vw.FigureOverride, s *vw.PracticeSettings) url.Values {
	v := url.Values{"etag": {s.GetEtag()}}
	if o != nil {
		v.Set("value", strconv.FormatFloat(o.GetValue(), 'f', -1, 64))
		v.Set("source", o.GetSource())
	}
	return v
}

func (q *ask) keepOwnFigure() (*page, error) {
	f := q.typed()
	p, s, err := q.ownFigure(f)
	if err != nil {
		return nil, err
	}
	overrides := slices.DeleteFunc(slices.Clone(s.GetOverrides()), func(o *vw.FigureOverride) bool { return o.GetFigure() == p.Row.ID })
	if !f.On("take-back") {
		o := &vw.FigureOverride{Figure: p.Row.ID, Source: f.Get("source")}
		if n := f.number(q, "value", -1e6, 1e6); n != nil {
			o.Value = *n
		} else {
			f.wrong("value", q.t("figures.value-missing"))
		}
		if o.GetSource() == "" {
			f.wrong("source", q.t("figures.source-missing"))
		}
		overrides = append(overrides, o)
	}
	if f.ok() {
		_, err = q.planner().UpdatePracticeSettings(q, &vw.UpdatePracticeSettingsRequest{RequestId: f.RequestID, UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"overrides"}},
			Settings: &vw.PracticeSettings{Name: s.GetName(), Etag: f.Get("etag"), Overrides: overrides}})
		switch {
		case err == nil:
			return goTo("/figures?" + url.Values{"q": {p.Row.ID}, "done": {"kept"}}.Encode()), nil
		case conflict(err):
			f.meanwhile(q, ownFigureValues(p.Row.Own, s))
		case !f.refused(err, map[string]string{"settings.overrides.value": "value", "settings.overrides.source": "source", "settings.overrides": "value"}):
			return nil, err
		}
	}
	return &page{name: "figure-own", title: q.t("figures.own"), section: "practice", data: p, status: http.StatusUnprocessableEntity}, nil
}
