package desk

import (
	"html/template"
	"net/url"
	"strings"

	"golang.org/x/sync/errgroup"

	"github.com/visitwright/visitwright/clients/desk/plot"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

var paceRoutes = []route{
	{"GET /pace", []vw.Role{vw.Role_ROLE_CLINICIAN, vw.Role_ROLE_MANAGER}, (*ask).pacePage},
}

// pacePage sets what was predicted beside what it took, and says how recalls
// went.
type pacePage struct {
	Form       *form
	Clinicians []option
	Report     *vw.CalibrationReport
	// Pictures of the report, each with its text.
	Within, Times, Tenths, Speeds, Recalls template.HTML
	Calibrations                           []pace
	Figures                                *vw.PracticeFigures
}

// pace is one calibration with its names in words.
type pace struct {
	*vw.Calibration
	Protocol, Class, Who string
}

func (q *ask) pacePage() (*page, error) {
	p := &pacePage{Form: newForm(url.Values{"first": {q.form.Get("first")}, "last": {q.form.Get("last")}, "clinician": {q.form.Get("clinician")}})}
	people, err := q.clinicians()
	if err != nil {
		return nil, err
	}
	p.Clinicians = []option{{Text: q.t("pace.everybody")}}
	who := map[string]string{"": q.t("pace.practice")}
	for _, c := range people {
		p.Clinicians = append(p.Clinicians, option{Value: lastPart(c.GetName()), Text: c.GetTitle()})
		who[c.GetName()] = c.GetTitle()
	}
	request := &vw.GetCalibrationReportRequest{Parent: q.practice, FirstDate: p.Form.day(q, "first"), LastDate: p.Form.day(q, "last")}
	if id := p.Form.chosen(q, "clinician", p.Clinicians); id != "" {
		request.Clinician = q.name("clinicians", id)
	}
	named, err := q.catalogues("protocols")
	if err != nil {
		return nil, err
	}
	g, ctx := errgroup.WithContext(q)
	if p.Form.ok() {
		g.Go(func() error {
			var err error
			p.Report, err = q.chair().GetCalibrationReport(ctx, request)
			if err != nil && p.Form.refused(err, map[string]string{"first_date": "first", "last_date": "last", "clinician": "clinician"}) {
				return nil
			}
			return err
		})
	}
	g.Go(func() error {
		list, err := q.chair().ListCalibrations(ctx, &vw.ListCalibrationsRequest{Parent: q.practice, PageSize: 200})
		for _, c := range list.GetCalibrations() {
			p.Calibrations = append(p.Calibrations, pace{Calibration: c, Protocol: named["protocols"].Title(c.GetProtocol()), Class: q.t("pace.class-" + c.GetToothClass()), Who: who[c.GetClinician()]})
		}
		return err
	})
	g.Go(func() error {
		var err error
		p.Figures, err = q.followUp().GetPracticeFigures(ctx, &vw.GetPracticeFiguresRequest{Parent: q.practice})
		return err
	})
	if err := g.Wait(); err != nil {
		return nil, err
	}
	q.drawPace(p)
	return &page{name: "pace", title: q.t("pace.title"), section: "pace", data: p}, nil
}

// enoughVisits is how many visits must stand behind a speed before it is drawn:
// below, it is little more than the published figure.
const enoughVisits = 3

// drawPace draws the pictures of what is known.
func (q *ask) drawPace(p *pacePage) {
	if r := p.Report; r.GetVisits() > 0 {
		p.Within = plot.Spans{Text: plot.Text{ID: "within", Title: q.t("pace.within"), Desc: strings.Join(r.GetLines()[:min(1, len(r.GetLines()))], " ")},
			Rows: []plot.Span{{Label: q.t("pace.visits"), Low: r.GetCoverageLow(), At: r.GetCoverage(), High: r.GetCoverageHigh(), Mark: r.GetCoverageMeant(), Marked: r.GetCoverageMeant() > 0}},
			From: 0, To: 1, Percent: true, PointText: q.t("pace.found"), MarkText: q.t("pace.meant")}.Draw()
		var points []plot.Point
		for _, t := range r.GetVisitTimes() {
			points = append(points, plot.Point{Predicted: t.GetPredicted(), Actual: t.GetActual()})
		}
		p.Times = plot.Scatter{Text: plot.Text{ID: "times", Title: q.t("pace.times"), Desc: q.t("pace.times-text", len(points))},
			Points: points, Across: q.t("pace.predicted"), Up: q.t("pace.actual")}.Draw()
		var counts []int
		for _, n := range r.GetTenths() {
			counts = append(counts, int(n))
		}
		p.Tenths = plot.Histogram{Text: plot.Text{ID: "tenths", Title: q.t("pace.tenths"), Desc: q.t("pace.tenths-text")}, Counts: counts, Even: true, EvenText: q.t("pace.even"),
			First: q.t("pace.shortest"), Last: q.t("pace.longest"), Axis: q.t("pace.tenths-axis")}.Draw()
	}
	if len(p.Calibrations) > 0 {
		from, to := 0.5, 2.0
		var rows []plot.Span
		for _, c := range p.Calibrations {
			if c.GetVisits() < enoughVisits {
				continue
			}
			from, to = min(from, c.GetSpeedLow()), max(to, c.GetSpeedHigh())
			rows = append(rows, plot.Span{Label: c.Class + ", " + c.Who, Low: c.GetSpeedLow(), At: c.GetSpeed(), High: c.GetSpeedHigh(), Mark: 1, Marked: true})
		}
		if len(rows) > 0 {
			p.Speeds = plot.Spans{Text: plot.Text{ID: "speeds", Title: q.t("pace.speeds"), Desc: q.t("pace.speeds-text")}, Rows: rows, From: from, To: to,
				PointText: q.t("pace.here"), MarkText: q.t("pace.published")}.Draw()
		}
	}
	f := p.Figures
	var rows []plot.Span
	for _, r := range []struct {
		key   string
		share *vw.ShareFigure
	}{{"pace.recalls", f.GetRecallAttendance()}, {"pace.healed", f.GetHealedStrict()}, {"pace.healing", f.GetHealedLoose()}} {
		if r.share.GetOf() > 0 {
			rows = append(rows, plot.Span{Label: q.t(r.key), Low: r.share.GetLow(), At: r.share.GetShare(), High: r.share.GetHigh()})
		}
	}
	if len(rows) > 0 {
		p.Recalls = plot.Spans{Text: plot.Text{ID: "recalls", Title: q.t("pace.outcomes"), Desc: q.t("pace.outcomes-text")}, Rows: rows, From: 0, To: 1, Percent: true, PointText: q.t("pace.found")}.Draw()
	}
}
