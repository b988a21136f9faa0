package cli

import (
	"fmt"
	"strings"

	"github.com/visitwright/visitwright/clients/odds"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// SpeedCommand says what the practice's own visits taught.
type SpeedCommand struct {
	List   SpeedList   `cmd:"" default:"1" help:"List how fast the practice and its clinicians work, beside the published times."`
	Report SpeedReport `cmd:"" help:"Say how the estimates of a period held."`
}

// SpeedList lists calibrations.
type SpeedList struct{ PageFlags }

// Run lists the calibrations.
func (c *SpeedList) Run(s *Session) error {
	reply, err := s.Client.Chair.ListCalibrations(s.Context, &vw.ListCalibrationsRequest{Parent: s.parent(), PageSize: c.Most, PageToken: c.After})
	if err != nil {
		return err
	}
	return s.Show(reply, func(p *Page) {
		if len(reply.GetCalibrations()) == 0 {
			p.Text("No visit has been logged yet: the published times hold.")
			return
		}
		for _, x := range reply.GetCalibrations() {
			p.Item("%s", x.GetText())
		}
		if reply.GetNextPageToken() != "" {
			p.Text("There are more: --after %s", reply.GetNextPageToken())
		}
	})
}

// SpeedReport reports on a period.
type SpeedReport struct {
	First     string `arg:"" help:"First day, YYYY-MM-DD."`
	Last      string `arg:"" help:"Last day, YYYY-MM-DD."`
	Clinician string `help:"Only this clinician's visits: id." placeholder:"ID"`
}

// Run shows the report.
func (c *SpeedReport) Run(s *Session) error {
	request := &vw.GetCalibrationReportRequest{Parent: s.parent()}
	var err error
	if request.FirstDate, err = parseDate("first day", c.First); err != nil {
		return err
	}
	if request.LastDate, err = parseDate("last day", c.Last); err != nil {
		return err
	}
	if c.Clinician != "" {
		request.Clinician = s.name("clinicians", c.Clinician)
	}
	r, err := s.Client.Chair.GetCalibrationReport(s.Context, request)
	if err != nil {
		return err
	}
	return s.Show(r, func(p *Page) { showReport(p, r) })
}

func showReport(p *Page, r *vw.CalibrationReport) {
	p.Title("Estimates from %s to %s", sayDate(r.GetFirstDate()), sayDate(r.GetLastDate()))
	for _, line := range r.GetLines() {
		p.Text("%s", line)
	}
	if r.GetVisits() == 0 {
		return
	}
	p.Field("visits", "%d, %d inside the appointment", r.GetVisits(), r.GetWithin())
	p.Field("inside, in all", "%s, between %s and %s; the lengths meant %s", odds.SharePercent(r.GetCoverage()), odds.SharePercent(r.GetCoverageLow()), odds.SharePercent(r.GetCoverageHigh()), odds.SharePercent(r.GetCoverageMeant()))
	p.Field("minutes", "%.0f over and %.0f unused a visit", r.GetOverrunMinutes(), r.GetIdleMinutes())
	p.Heading("Where the actual minutes fell")
	for i, n := range r.GetTenths() {
		p.line(strings.TrimRight(fmt.Sprintf("  %3d-%-3d %% of what was foreseen |%s %d", i*10, i*10+10, strings.Repeat("#", int(n)), n), " "))
	}
	p.Text("Good estimates fill every tenth alike.")
	var rows [][]string
	for _, x := range r.GetScores() {
		rows = append(rows, []string{x.GetTitle(), fmt.Sprintf("%.1f", x.GetCost()), fmt.Sprint(x.GetVisits())})
	}
	p.Table([]string{"booked by", ">cost a visit", ">visits"}, rows)
	rows = nil
	for _, x := range r.GetSteps() {
		rows = append(rows, []string{x.GetTitle(), fmt.Sprint(x.GetTimes()), fmt.Sprintf("%.2f", x.GetRatio()), fmt.Sprintf("%.1f", x.GetMinutes())})
	}
	p.Table([]string{"step", ">times", ">actual / foreseen", ">minutes a visit"}, rows)
}
