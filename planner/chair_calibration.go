package planner

import (
	"cmp"
	"context"
	"fmt"
	"math"
	"slices"

	"google.golang.org/genproto/googleapis/type/date"

	"github.com/visitwright/visitwright/planner/calibration"
	"github.com/visitwright/visitwright/planner/chairtime"
	"github.com/visitwright/visitwright/proto/fault"
	"github.com/visitwright/visitwright/proto/names"
	"github.com/visitwright/visitwright/proto/requests"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/scheduler/civil"
	"github.com/visitwright/visitwright/store"
)

// mayFigures says whether the caller may see the figures of a clinician.
func mayFigures(caller Caller, settings *vw.PracticeSettings, clinician string) bool {
	if clinician != "" && caller.Clinician == clinician {
		return true
	}
	switch settings.GetClinicianFigures() {
	case vw.FiguresSeenBy_FIGURES_SEEN_BY_MANAGER:
		return caller.Role == store.RoleManager
	case vw.FiguresSeenBy_FIGURES_SEEN_BY_CLINICIANS:
		return caller.Role == store.RoleManager || caller.Role == store.RoleClinician
	}
	return false
}

// ListCalibrations lists speeds by protocol and class of tooth.
func (s *ChairService) ListCalibrations(ctx context.Context, r *vw.ListCalibrationsRequest) (*vw.ListCalibrationsResponse, error) {
	caller, err := s.who(ctx)
	if err != nil {
		return nil, err
	}
	if err := caller.Within("parent", r.GetParent()); err != nil {
		return nil, err
	}
	settings, err := s.settings(ctx, caller)
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	kept, err := s.chair.ListObservations(ctx, caller.Reading(), "", "")
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	if r.GetRecalculate() {
		if kept, err = s.recalculated(ctx, caller, settings); err != nil {
			return nil, err
		}
	}
	type group struct{ protocol, class string }
	groups := map[group][]store.Observation{}
	for _, o := range kept {
		g := group{o.Protocol, o.ToothClass}
		if len(groups[g]) < store.MaxObservations {
			groups[g] = append(groups[g], o)
		}
	}
	var keys []group
	for g := range groups {
		keys = append(keys, g)
	}
	slices.SortFunc(keys, func(a, b group) int {
		return cmp.Or(cmp.Compare(a.protocol, b.protocol), cmp.Compare(a.class, b.class))
	})
	var all []*vw.Calibration
	for _, g := range keys {
		post, err := s.fitOf(groups[g])
		if err != nil {
			return nil, err
		}
		all = append(all, calibrationToProto(g.protocol, g.class, "", post.Practice().Estimate))
		for _, who := range cliniciansOf(groups[g]) {
			if mayFigures(caller, settings, who) {
				all = append(all, calibrationToProto(g.protocol, g.class, names.Clinician(caller.Practice, who), post.Clinician(who).Estimate))
			}
		}
	}
	page, err := requests.Page(s.pager, r)
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	part, next, err := requests.Cut(page, all)
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	return &vw.ListCalibrationsResponse{Calibrations: part, NextPageToken: s.pager.Token(r, next)}, nil
}

// recalculated makes the observations anew from the logs of all visits, the
// newest first, as they are kept.
func (s *ChairService) recalculated(ctx context.Context, caller Caller, settings *vw.PracticeSettings) ([]store.Observation, error) {
	zone, err := civil.Embedded().Zone(settings.GetZone())
	if err != nil {
		return nil, err
	}
	last := zone.Date(s.now())
	ended, err := s.endedVisits(ctx, caller, zone, last.AddDays(-longestLog), last.AddDays(1), "")
	if err != nil {
		return nil, err
	}
	var out []store.Observation
	for _, o := range ended {
		if obs := s.observation(o); obs != nil {
			out = append(out, *obs)
		}
	}
	slices.SortStableFunc(out, func(a, b store.Observation) int {
		return cmp.Or(b.End.Compare(a.End), cmp.Compare(a.CaseID, b.CaseID), cmp.Compare(a.Visit, b.Visit))
	})
	return out, nil
}

// longestLog is how many days back a log is read anew.
const longestLog = 20 * 366

// dayOr reads a calendar day that may be left out.
func dayOr(d *date.Date, path string, otherwise civil.Date) (civil.Date, error) {
	text, err := dayFromProto(path, d)
	if err != nil || text == "" {
		return otherwise, err
	}
	return civil.ParseDate(text)
}

func cliniciansOf(kept []store.Observation) []string {
	var out []string
	for _, o := range kept {
		if o.Clinician != "" && !slices.Contains(out, o.Clinician) {
			out = append(out, o.Clinician)
		}
	}
	slices.Sort(out)
	return out
}

func calibrationToProto(protocol, class, clinician string, e calibration.Estimate) *vw.Calibration {
	const tenth = 1.2815515655446004 // standard normal quantile at 0.9: 8 in 10 lie between
	out := &vw.Calibration{Protocol: protocol, ToothClass: class, Clinician: clinician, Speed: math.Exp(e.LogSpeed),
		SpeedLow: math.Exp(e.LogSpeed - tenth*e.LogSpeedSD), SpeedHigh: math.Exp(e.LogSpeed + tenth*e.LogSpeedSD),
		VisitSpread: e.VisitSD, Visits: int32(e.Visits), BrokenOff: int32(e.BrokenOff)}
	out.Text = fmt.Sprintf("%.2f times the published minutes (8 in 10: %.2f to %.2f), %s behind it", out.Speed, out.SpeedLow, out.SpeedHigh, visitsWords(e.Visits))
	if e.BrokenOff > 0 {
		out.Text += fmt.Sprintf(", %d of them stopped early", e.BrokenOff)
	}
	out.Text += "."
	return out
}

// GetCalibrationReport says how the estimates of a period held.
func (s *ChairService) GetCalibrationReport(ctx context.Context, r *vw.GetCalibrationReportRequest) (*vw.CalibrationReport, error) {
	caller, err := s.who(ctx)
	if err != nil {
		return nil, err
	}
	if err := caller.Within("parent", r.GetParent()); err != nil {
		return nil, err
	}
	settings, err := s.settings(ctx, caller)
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	who := ""
	if r.GetClinician() != "" {
		n, err := caller.One(names.ClinicianPattern, "clinician", r.GetClinician(), vw.ErrorReason_ERROR_REASON_CLINICIAN_NOT_FOUND)
		if err != nil {
			return nil, err
		}
		if !mayFigures(caller, settings, n.ID) {
			return nil, fault.Denied(vw.ErrorReason_ERROR_REASON_ROLE_NOT_ALLOWED, "the practice's setting clinician_figures says who may see one clinician's figures")
		}
		if _, err := s.store.GetClinician(ctx, caller.Reading(), n.ID); err != nil {
			return nil, s.fault(err, caller, nil)
		}
		who = n.ID
	}
	zone, err := civil.Embedded().Zone(settings.GetZone())
	if err != nil {
		return nil, err
	}
	last, err := dayOr(r.GetLastDate(), "last_date", zone.Date(s.now()))
	if err != nil {
		return nil, err
	}
	first, err := dayOr(r.GetFirstDate(), "first_date", last.AddDays(-364))
	if err != nil {
		return nil, err
	}
	if first.After(last) {
		return nil, fault.Invalid(vw.ErrorReason_ERROR_REASON_END_BEFORE_START, "last_date", "a day that is not before first_date")
	}
	ended, err := s.endedVisits(ctx, caller, zone, first, last, who)
	if err != nil {
		return nil, err
	}
	before, err := s.endedVisits(ctx, caller, zone, first.AddDays(-365), first.AddDays(-1), who)
	if err != nil {
		return nil, err
	}
	out := &vw.CalibrationReport{FirstDate: dayToProto(first.String()), LastDate: dayToProto(last.String())}
	fillReport(out, ended, before, settings.GetCost())
	return out, nil
}

// endedVisits reads the visits that ended in a range of days from their marks.
func (s *ChairService) endedVisits(ctx context.Context, caller Caller, zone *civil.Zone, first, last civil.Date, who string) ([]openVisit, error) {
	from, to := zone.Day(first).Start, zone.Day(last).End
	var out []openVisit
	for after := ""; ; {
		listed, next, err := s.chair.ListEndedVisits(ctx, caller.Reading(), from, to, after)
		if err != nil {
			return nil, s.fault(err, caller, nil)
		}
		for _, kept := range listed {
			if who != "" && kept.Clinician != who {
				continue
			}
			o, err := s.open(ctx, caller, kept)
			if err != nil {
				return nil, err
			}
			out = append(out, o)
		}
		if next == "" {
			return out, nil
		}
		after = next
	}
}

// alwaysMinutes is the length of a practice that books one length for all.
const alwaysMinutes = 60

// fillReport scores what was booked.
func fillReport(out *vw.CalibrationReport, ended, before []openVisit, cost *vw.Cost) {
	var booked, took, pits []float64
	for _, o := range ended {
		minutes := o.state.Minutes()
		booked, took = append(booked, float64(o.kept.Minutes)), append(took, minutes)
		if d, ok := predictedOf(o); ok {
			if !brokenOff(o) {
				pits = append(pits, pitOf(d, minutes))
			}
			out.VisitTimes = append(out.VisitTimes, &vw.VisitTimes{Predicted: d.Mean(), Low: d.Quantile(0.1), High: d.Quantile(0.9),
				Booked: int32(o.kept.Minutes), Actual: minutes, BrokenOff: brokenOff(o)})
		}
		out.OverrunMinutes += max(0, minutes-float64(o.kept.Minutes))
		out.IdleMinutes += max(0, float64(o.kept.Minutes)-minutes)
	}
	slices.Reverse(out.VisitTimes)
	out.VisitTimes = out.VisitTimes[:min(len(out.VisitTimes), mostVisitTimes)]
	c := calibration.Cover(booked, took)
	out.Visits, out.Within, out.Coverage, out.CoverageLow, out.CoverageHigh = int32(c.Visits), int32(c.Within), c.Share, c.Lo, c.Hi
	overrun, idle := cost.GetOverrun(), cost.GetIdle()
	if overrun+idle > 0 {
		out.CoverageMeant = overrun / (overrun + idle)
	}
	for _, n := range calibration.Histogram(pits, 10) {
		out.Tenths = append(out.Tenths, int32(n))
	}
	score := func(id, title string, length func(i int) float64) {
		if len(took) == 0 {
			return
		}
		total := 0.0
		for i := range took {
			total += calibration.BookingLoss(overrun, idle, length(i), took[i])
		}
		out.Scores = append(out.Scores, &vw.BookingScore{Id: id, Title: title, Cost: total / float64(len(took)), Visits: int32(len(took))})
	}
	score("booked", "as booked", func(i int) float64 { return booked[i] })
	score("always-60", "always 60 minutes", func(int) float64 { return alwaysMinutes })
	if len(before) > 0 {
		sum := 0.0
		for _, o := range before {
			sum += o.state.Minutes()
		}
		mean := sum / float64(len(before))
		score("mean-of-last-year", fmt.Sprintf("last year's mean, %.0f minutes", mean), func(int) float64 { return mean })
	}
	out.Steps = stepScores(ended)
	out.Lines = reportLines(out)
}

// mostVisitTimes is how many visits a report lists one by one.
const mostVisitTimes = 200

// brokenOff reports whether a visit had to end before its aim.
func brokenOff(o openVisit) bool { return o.state.Closing != nil && o.state.Closing.Forced != "" }

// predictedOf is what the plan predicted for a visit.
func predictedOf(o openVisit) (chairtime.Dist, bool) {
	for _, v := range o.of.optionMessage(o.kept.Option).GetVisits() {
		if int(v.GetNumber()) == o.kept.Planned && len(v.GetChairMinutes().GetProbabilities()) > 0 {
			return distFromProto(v.GetChairMinutes()), true
		}
	}
	return chairtime.Dist{}, false
}

// pitOf is where the minutes of a visit fell in what was predicted. A visit
// that had to end early says nothing about it.
func pitOf(d chairtime.Dist, minutes float64) float64 {
	p := make([]float64, d.First+len(d.P))
	copy(p[d.First:], d.P)
	return calibration.PIT(p, int(math.Floor(minutes+0.5)), 0.5)
}

// stepScores compares single steps with their prediction, the one that costs
// most minutes first.
func stepScores(ended []openVisit) []*vw.StepScore {
	ratios := map[string][]float64{}
	excess := map[string]float64{}
	title := map[string]string{}
	for _, o := range ended {
		for _, w := range o.state.Work {
			predicted := o.plan.Predicted(o.state, w)
			if w.Caught || w.Minutes <= 0 || predicted <= 0 {
				continue
			}
			ratios[w.Step] = append(ratios[w.Step], w.Minutes/predicted)
			excess[w.Step] += w.Minutes - predicted
			title[w.Step] = o.of.title(w.Step)
		}
	}
	var out []*vw.StepScore
	for step, r := range ratios {
		slices.Sort(r)
		out = append(out, &vw.StepScore{Step: step, Title: title[step], Times: int32(len(r)), Ratio: r[len(r)/2], Minutes: excess[step] / float64(len(ended))})
	}
	slices.SortFunc(out, func(a, b *vw.StepScore) int {
		return cmp.Or(cmp.Compare(math.Abs(b.GetMinutes()), math.Abs(a.GetMinutes())), cmp.Compare(a.GetStep(), b.GetStep()))
	})
	return out
}

func reportLines(r *vw.CalibrationReport) []string {
	if r.GetVisits() == 0 {
		return []string{"No visit ended in this period."}
	}
	lines := []string{
		fmt.Sprintf("%d of %d visits stayed within their appointment: %.0f %% (95 %% interval %.0f to %.0f); the lengths were chosen for %.0f %%.",
			r.GetWithin(), r.GetVisits(), 100*r.GetCoverage(), 100*r.GetCoverageLow(), 100*r.GetCoverageHigh(), 100*r.GetCoverageMeant()),
		fmt.Sprintf("Overrun %.0f minutes, idle %.0f minutes, all visits together.", r.GetOverrunMinutes(), r.GetIdleMinutes()),
	}
	for _, s := range r.GetScores() {
		lines = append(lines, fmt.Sprintf("A visit %s costs %.1f minutes of work in overrun and idle time.", s.GetTitle(), s.GetCost()))
	}
	if len(r.GetSteps()) > 0 {
		s := r.GetSteps()[0]
		word := "longer"
		if s.GetMinutes() < 0 {
			word = "shorter"
		}
		lines = append(lines, fmt.Sprintf("Mis-estimated most: %s, %.1f minutes a visit %s than predicted (timed %d times).", s.GetTitle(), math.Abs(s.GetMinutes()), word, s.GetTimes()))
	}
	return lines
}
