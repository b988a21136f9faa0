package desk

import (
	"net/http"
	"strconv"
	"strings"

	"github.com/google/uuid"
	"golang.org/x/sync/errgroup"

	"html/template"

	"github.com/visitwright/visitwright/clients/desk/plot"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

var assessRoutes = []route{
	{"GET /cases/{case}/assess", careTeam, (*ask).assessPage},
	{"POST /cases/{case}/assess", careTeam, (*ask).assess},
}

// assessPage asks what was found, and shows what follows from it.
type assessPage struct {
	*head
	Form  *form
	Parts []part
	// Result is what follows: of the newest assessment, or of what was typed.
	Result *vw.Assessment
	// Typed says that the result is that of what was typed, and not kept yet.
	Typed bool
	// Brief is the result in one line, told as one answers.
	Brief string
	Done  string

	Pulpal, Apical, Shapes, Chances []option
	// Earlier are the versions there are.
	Earlier int64
}

var assessNames = []string{"difficulty-criteria", "difficulty-answers", "difficulty-editions", "evidence-signs", "factors", "anatomy-kinds"}

func (q *ask) assessPage() (*page, error) {
	h, err := q.readHead("assess", assessNames...)
	if err != nil {
		return nil, err
	}
	p := &assessPage{head: h}
	if err := q.newest(p); err != nil {
		return nil, err
	}
	if q.form.Get("done") == "kept" {
		p.Done = q.t("assess.kept", p.Result.GetVersion())
	}
	return q.showAssess(p, 0)
}

// newest reads the newest assessment, or begins a new one in the practice's
// edition of the form.
func (q *ask) newest(p *assessPage) error {
	g, ctx := errgroup.WithContext(q)
	edition := ""
	g.Go(func() error {
		s, err := q.settings()
		edition = s.GetDifficultyEdition()
		return err
	})
	if latest := p.Case.GetLatestAssessment(); latest != "" {
		g.Go(func() (err error) {
			p.Result, err = q.planner().GetAssessment(ctx, &vw.GetAssessmentRequest{Name: latest})
			return err
		})
	}
	if err := g.Wait(); err != nil {
		return err
	}
	p.Earlier = p.Result.GetVersion()
	if of := p.Result.GetTooth(); p.Result != nil && of.GetIso() != p.Case.GetTooth().GetIso() {
		p.Result = nil // of another tooth than the case is about now
	}
	if p.Form == nil {
		p.Form = newForm(findingsValues(p.Result.GetFindings(), p.Case.GetDiagnosis()))
	}
	if p.Form.Get("edition") == "" {
		if list := p.Named["difficulty-editions"].list; edition == "" && len(list) > 0 {
			edition = list[len(list)-1].GetId() // the newest
		}
		p.Form.Set("edition", edition)
	}
	return nil
}

func (q *ask) showAssess(p *assessPage, status int) (*page, error) {
	f := p.Form
	p.Parts = q.parts(f, p.Named, f.Get("edition"), p.Case.GetTooth())
	p.Pulpal, p.Apical = p.Named["pulpal-diagnoses"].options(q.t("case.not-known-yet")), p.Named["apical-diagnoses"].options(q.t("case.not-known-yet"))
	p.Shapes = p.Named["anatomy-kinds"].options(q.t("assess.shape-usual"))
	for _, c := range []string{"0.05", "0.1", "0.2"} {
		v, _ := strconv.ParseFloat(c, 64)
		p.Chances = append(p.Chances, option{Value: c, Text: q.words.Chance(v)})
	}
	if f.Get("bear_chance") == "" {
		f.Set("bear_chance", "0.1")
	}
	p.Brief = q.brief(p.Result)
	return &page{name: "assess", title: q.titleOf("assess.title", p.head), section: "patients", data: p, status: status}, nil
}

// brief is a result in one line.
func (q *ask) brief(a *vw.Assessment) string {
	if a == nil {
		return ""
	}
	parts := []string{q.t("assess.brief-level", q.words.Level(a.GetDifficulty().GetLevel()), a.GetDifficulty().GetAnswered(), a.GetDifficulty().GetAsked())}
	if a.GetCanals().GetFurtherCanal() != nil {
		parts = append(parts, sentenceStart(q.words.Odds(a.GetCanals().GetFurtherCanal()))+".")
	}
	return strings.Join(parts, " ")
}

// assess shows what follows from what was typed, or keeps it.
func (q *ask) assess() (*page, error) {
	f := q.typed()
	h, err := q.readHead("assess", assessNames...)
	if err != nil {
		return nil, err
	}
	p := &assessPage{head: h, Form: f, Typed: true}
	found, fields := q.findings(f, h.Named)
	if !f.ok() {
		return q.showAssess(p, http.StatusUnprocessableEntity)
	}
	preview := f.Get("do") != "keep" && f.Get("do") != "options"
	request := &vw.AssessRequest{Parent: h.Case.GetName(), Findings: found, ValidateOnly: preview}
	if !preview {
		request.RequestId = f.RequestID
	}
	made, err := q.planner().Assess(q, request)
	switch {
	case err != nil && !f.refused(err, fields):
		return nil, err
	case err != nil:
		return q.showAssess(p, http.StatusUnprocessableEntity)
	case preview:
		p.Result = made
		return q.showAssess(p, 0)
	case f.Get("do") == "options":
		// The same try gets the same plan, however often it is sent.
		id := uuid.NewSHA1(uuid.MustParse(f.RequestID), []byte("plan")).String()
		if _, err := q.planner().ProposePlan(q, &vw.ProposePlanRequest{Parent: h.Case.GetName(), Assessment: made.GetName(), RequestId: id}); err == nil {
			return goTo("/cases/" + q.path("case") + "/options"), nil
		}
		// The options page says why there is no plan, and offers another try.
		return goTo("/cases/" + q.path("case") + "/options?do=propose"), nil
	}
	return goTo("/cases/" + q.path("case") + "/assess?done=kept"), nil
}

// CanalPlot draws the odds of each number of canals, before the evidence and
// now.
func (v *view) CanalPlot(c *vw.CanalForecast) template.HTML {
	now, before := c.GetBelief().GetProbabilities(), c.GetPrior().GetProbabilities()
	o := plot.Odds{Text: plot.Text{ID: "canals", Title: v.T("plot.canals")}, Legend: v.T("plot.canals-before")}
	var said []string
	for n := 1; n < len(now); n++ {
		was := 0.0
		if n < len(before) {
			was = before[n]
		}
		if was < 0.0005 && now[n] < 0.0005 {
			continue
		}
		o.Rows = append(o.Rows, plot.Odd{Label: v.T("plot.canal-count", n), P: now[n], Before: was})
		said = append(said, v.T("plot.canals-say", v.T("plot.canal-count", n), v.Percent(now[n]), v.Percent(was)))
	}
	o.Desc = strings.Join(said, "; ") + "."
	return o.Draw()
}

// Counted says which count a forecast is about.
func (w *words) Counted(k vw.CanalCountKind) string {
	return w.Enum("assess.counted", short(k, "CANAL_COUNT_KIND_"))
}
