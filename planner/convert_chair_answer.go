package planner

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/visitwright/visitwright/planner/chairside"
	"github.com/visitwright/visitwright/planner/proposal"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// answerToProto says what can be said at one moment.
func (s *ChairService) answerToProto(o openVisit, a chairside.Moment, usual chairside.Closing, clock func(time.Time) string) *vw.ChairAnswer {
	out := &vw.ChairAnswer{
		Time: instant(a.At), Step: o.of.title(a.Step), Canal: a.Canal, UsedMinutes: a.Used, LeftMinutes: a.Left, ExpectedEnd: instant(a.End),
		OnTime: oddsToProto(proposal.OddsOf(a.OnTime, "end inside the appointment")), SpareMinutes: a.Spare, StepId: a.Step,
	}
	if a.Step == "" {
		out.Step = "closing"
	}
	ready, err := o.state.Ready()
	if err != nil {
		ready = chairside.Ready{}
	}
	for _, w := range a.Ways {
		title := o.of.title(w.ID)
		switch {
		case w.ID == chairside.Finish:
			title = "finish today"
		case w.Now:
			title = "stop now: " + title
		default:
			title = "dress: " + title
			if !w.Allowed {
				title += " (only if forced)"
			}
		}
		way := &vw.WayOn{Id: w.ID, Title: title, Odds: oddsToProto(proposal.OddsOf(w.Odds, "fit")), ExpectedMinutes: w.Minutes.Mean(), EightInTenMinutes: w.Minutes.Quantile(0.8), Allowed: w.Allowed}
		s.endingSo(way, o, w, usual)
		if slack := a.Left - w.Minutes.Quantile(0.8); slack >= 0 {
			way.DecideBy = instant(a.At.Add(time.Duration(slack * float64(time.Minute))))
		}
		out.Ways = append(out.Ways, way)
		if w.ID == chairside.Finish {
			out.Headline = "Time fits: " + countOf(w.Odds) + ". " + readyWords(ready)
		}
	}
	out.Advice, out.DecideBy = adviceOf(o, a, clock)
	out.WouldChange = wouldChange(o, a)
	return out
}

// endingSo says what is placed when a visit ends on a way, and when the patient
// comes back then: what the plan has for that state of the tooth.
func (s *ChairService) endingSo(way *vw.WayOn, o openVisit, w chairside.Way, usual chairside.Closing) {
	id := w.ID
	switch {
	case w.ID == chairside.Finish:
		id = o.plan.Model.Stops[len(o.plan.Model.Stops)-1].ID
	case w.Now:
		id = s.stopOf(o, o.state.State)
	}
	if id != w.ID && w.ID != chairside.Finish {
		way.Id, way.Title = id, "stop now: "+o.of.title(id)
	}
	for _, stop := range o.of.message.GetStops() {
		if stop.GetId() != id {
			continue
		}
		way.Text, way.ReturnWindow = stop.GetText(), stop.GetReturnWindow()
		if stop.GetReturnWindow() != nil {
			way.Closing = &vw.VisitClosing{Medicament: usual.Medicament, Temporary: usual.Temporary}
		}
	}
	if state, err := s.shipped.Stop(id); err == nil && state.Use == "" && way.Closing != nil {
		way.Closing.Medicament = "" // nothing is dressed in this state
	}
}

func countOf(p float64) string { return strings.TrimSpace(proposal.OddsOf(p, "").Words) }

// adviceOf says where the decision falls and until when, by the cost of
// overrun against that of another visit. It speaks of minutes only.
func adviceOf(o openVisit, a chairside.Moment, clock func(time.Time) string) (string, *timestamppb.Timestamp) {
	v := o.state
	switch {
	case v.EndsCase != "":
		return "Treatment ends (" + v.EndsCase + "): relieve and seal.", nil
	case v.MustStop != "":
		return "The visit must end (" + v.MustStop + "): dress and seal what is open.", nil
	case a.Next == "":
		return lastStretch(a, v.Began, clock)
	}
	at := "At " + o.of.title(a.Next)
	if a.Choice != nil {
		at = "Now, at " + o.of.title(a.Next)
	}
	end := v.Began.Add(time.Duration(o.kept.Minutes) * time.Minute)
	minute := int(math.Floor(a.DecideBy.Sub(v.Began).Minutes() + 0.5))
	switch {
	case a.GoOnNever && v.Barred:
		return at + ": dress. Filling is barred in this visit.", nil
	case a.GoOnNever && o.plan.Option.EarliestCompletion > o.plan.Number:
		return at + ": dress, as the accepted option has it.", nil
	case a.GoOnNever:
		return at + ": dress; going on costs more than another visit.", nil
	case !a.DecideBy.Before(end):
		return whateverTheClock(at, o, a, clock)
	case a.DecideBy.Before(a.At):
		return fmt.Sprintf("%s: dress. Going on paid until minute %d (%s).", at, minute, clock(a.DecideBy)), nil
	}
	return fmt.Sprintf("%s: go on until minute %d (%s), dress after that.", at, minute, clock(a.DecideBy)), instant(a.DecideBy)
}

// whateverTheClock: going on to the end costs less than another visit even when
// it overruns. The overrun is told, and until when dressing would still fit.
func whateverTheClock(at string, o openVisit, a chairside.Moment, clock func(time.Time) string) (string, *timestamppb.Timestamp) {
	text := at + ": time is enough to go on."
	for _, w := range a.Ways {
		if over := w.Minutes.Mean() - a.Left; w.ID == chairside.Finish && over >= 1 {
			text = fmt.Sprintf("%s: going on to the end overruns by about %.0f minutes; by the practice's own costs that is still less than another visit.", at, over)
		}
	}
	tail, by := stopBy(a, o.state.Began, clock)
	return text + " " + tail, by
}

// lastStretch: no stopping point lies ahead any more. What can still be decided
// is to break off where the tooth stands.
func lastStretch(a chairside.Moment, began time.Time, clock func(time.Time) string) (string, *timestamppb.Timestamp) {
	if !slices.ContainsFunc(a.Ways, func(w chairside.Way) bool { return w.Now && w.ID != chairside.Finish }) {
		return "", nil // everything is done but the closing
	}
	tail, by := stopBy(a, began, clock)
	return "No stopping point lies ahead: finish, or stop where the tooth stands. " + tail, by
}

// stopBy is until when the visit can still be closed where the tooth stands,
// inside the appointment in 8 of 10 such visits.
func stopBy(a chairside.Moment, began time.Time, clock func(time.Time) string) (string, *timestamppb.Timestamp) {
	for _, w := range a.Ways {
		if slack := a.Left - w.Minutes.Quantile(0.8); w.Now && slack >= 0 {
			by := a.At.Add(time.Duration(slack * float64(time.Minute)))
			minute := int(math.Floor(by.Sub(began).Minutes() + 0.5))
			return fmt.Sprintf("Whoever stops instead begins to dress by minute %d (%s).", minute, clock(by)), instant(by)
		}
	}
	return "Dressing no longer fits the appointment either.", nil
}

// wouldChange lists what would change the answer.
func wouldChange(o openVisit, a chairside.Moment) []string {
	var out []string
	for _, w := range a.Ways {
		if w.ID != chairside.Finish {
			continue
		}
		if a.MoreTime-w.Odds > 0.02 {
			out = append(out, fmt.Sprintf("Ten minutes more: %s fit instead of %s.", countOf(a.MoreTime), countOf(w.Odds)))
		}
		if !math.IsNaN(a.FurtherFits) && w.Odds-a.FurtherFits > 0.02 {
			out = append(out, fmt.Sprintf("A further canal (%s): %s fit.", proposal.OddsOf(a.FurtherOdds, "of such teeth still hide one").Words, countOf(a.FurtherFits)))
		}
	}
	if o.state.MustStop != "" {
		out = append(out, "Nothing in minutes: the visit must end ("+o.state.MustStop+").")
	}
	return out
}
