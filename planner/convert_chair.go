package planner

import (
	"context"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/visitwright/visitwright/planner/anaesthetic"
	"github.com/visitwright/visitwright/planner/chairside"
	"github.com/visitwright/visitwright/planner/proposal"
	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

var phases = map[chairside.Phase]vw.ChairVisit_Phase{
	chairside.Running: vw.ChairVisit_PHASE_RUNNING,
	chairside.Paused:  vw.ChairVisit_PHASE_PAUSED,
	chairside.Ended:   vw.ChairVisit_PHASE_ENDED,
}

var saysToProto = map[chairside.Says]vw.Reason_Stance{
	chairside.Forbids: vw.Reason_STANCE_FORBIDS, chairside.AdvisesAgainst: vw.Reason_STANCE_ADVISES_AGAINST,
	chairside.Neutral: vw.Reason_STANCE_NEUTRAL, chairside.Favours: vw.Reason_STANCE_FAVOURS,
}

// visitToProto shows a visit without its answer.
func (s *ChairService) visitToProto(ctx context.Context, caller Caller, o openVisit, rec record) (*vw.ChairVisit, error) {
	v := o.state
	out := &vw.ChairVisit{
		Name: o.name(caller), Tooth: toothToProto(o.of.tooth, rec.shown), Title: o.of.message.GetTitle(),
		Part:               &vw.VisitPart{Plan: names.Plan(caller.Practice, o.kept.CaseID, o.kept.Revision), Option: o.kept.Option, Visit: int32(o.kept.Planned)},
		AppointmentMinutes: int32(o.kept.Minutes), Phase: phases[v.Phase], BeginTime: instant(v.Began), EndTime: instant(v.Ended), State: stateToProto(v.State),
		ConsentNeeded: v.ConsentFor, MustStop: v.MustStop, EndsTreatment: v.EndsCase, Warnings: v.Warnings, Closing: placedToProto(v.Closing),
		MarkCount: int32(len(o.marks)),
	}
	if o.kept.Appointment != "" {
		out.Appointment = names.Appointment(caller.Practice, o.kept.Appointment)
	}
	if o.kept.Clinician != "" {
		out.Clinician = names.Clinician(caller.Practice, o.kept.Clinician)
	}
	out.Identity = identityLine(out.Tooth, rec)
	if v.Phase == chairside.Ended {
		out.ChairMinutes = v.Minutes()
	}
	for _, c := range v.Canals {
		out.Canals = append(out.Canals, canalToProto(c))
	}
	for _, w := range v.Work {
		out.Work = append(out.Work, &vw.ChairWork{Step: w.Step, Title: o.of.title(w.Step), Canal: w.Canal, Minutes: w.Minutes, CaughtUp: w.Caught})
	}
	for _, m := range v.Events {
		h, err := happeningToProto(m, v, rec.settings)
		if err != nil {
			return nil, err
		}
		out.Events = append(out.Events, h)
	}
	for _, m := range v.Images {
		out.Radiographs = append(out.Radiographs, &vw.ChairRadiograph{Time: instant(m.At), Justification: m.Reason})
	}
	if v.Closing != nil {
		against, err := s.againstDressing(rec, v.Closing.Medicament)
		if err != nil {
			return nil, err
		}
		out.Warnings = append(slices.Clone(out.Warnings), against...)
	}
	ready, err := v.Ready()
	if err != nil {
		return nil, err
	}
	out.Ready = readyToProto(ready)
	out.Ready.Answers = checkToProto(v.Answers)
	out.Order = o.orderToProto()
	out.Marks = o.marksToProto()
	if err := s.anaestheticOf(ctx, caller, out, o, rec); err != nil {
		return nil, err
	}
	return out, nil
}

// orderToProto is what the visit consists of; nothing is marked once it ended.
func (o openVisit) orderToProto() []*vw.ChairStage {
	if o.state.Phase == chairside.Ended {
		return nil
	}
	var out []*vw.ChairStage
	for _, part := range o.plan.Order(o.state) {
		stage := &vw.ChairStage{Stage: part.Stage, Done: part.Done, Title: o.of.title(part.Stage)}
		switch part.Stage {
		case chairside.Opening:
			stage.Stage, stage.Title = "", "opening"
		case chairside.Closed:
			stage.Stage, stage.Title = "", "closing"
		}
		for _, x := range part.Steps {
			stage.Steps = append(stage.Steps, &vw.ChairStep{Step: x.Step, Title: o.of.title(x.Step), Canal: x.Canal, Done: x.Done,
				Running: x.Step == o.state.Running && x.Canal == o.state.RunningCanal})
		}
		out = append(out, stage)
	}
	return out
}

func identityLine(t *vw.Tooth, rec record) string {
	text := "Patient reference " + rec.patient.Reference
	if t != nil {
		text += "; tooth " + t.GetShown() + ", " + t.GetWords()
	}
	return text + ". Compare with a second identifier."
}

func canalToProto(c chairside.Canal) *vw.ChairCanal {
	out := &vw.ChairCanal{Canal: c.Name, State: strings.ReplaceAll(string(c.State), " ", "-"), Patent: c.Patent, ZeroMm: c.ZeroMM, WorkingLengthMm: c.LengthMM,
		ReferencePoint: c.Reference, FileSize: int32(c.FileSize), FileTaper: c.Taper, Joins: c.Joins, JoinsThird: string(c.Third), Undecided: c.Open, Decided: c.Decided}
	if c.Joins == "" {
		out.JoinsThird = ""
	}
	parts := []string{string(c.State)}
	if c.LengthMM > 0 {
		length := fmt.Sprintf("working length %.1f mm", c.LengthMM)
		if c.Reference != "" {
			length += " from " + c.Reference
		}
		if c.ZeroMM > 0 {
			length += fmt.Sprintf(" (zero %.1f)", c.ZeroMM)
		}
		parts = append(parts, length)
	}
	if c.FileSize > 0 {
		file := fmt.Sprintf("last file %d", c.FileSize)
		if c.Taper > 0 {
			file += fmt.Sprintf("/.%02.0f", c.Taper*100)
		}
		parts = append(parts, file)
	}
	if c.Patent != nil {
		parts = append(parts, map[bool]string{true: "patent", false: "not patent"}[*c.Patent])
	}
	if c.Joins != "" {
		parts = append(parts, fmt.Sprintf("joins %s in the %s third", c.Joins, c.Third))
	}
	if c.Open != "" {
		parts = append(parts, "to be decided: "+c.Open)
	}
	if c.Decided != "" {
		parts = append(parts, "decided: "+c.Decided)
	}
	out.Text = strings.Join(parts, "; ")
	return out
}

// happeningToProto shows a chair event with what to do first: the practice's
// own instruction stands before the one that ships.
func happeningToProto(m chairside.Mark, v chairside.Visit, settings *vw.PracticeSettings) (*vw.ChairHappening, error) {
	e, err := chairside.FindEvent(m.Event)
	if err != nil {
		return nil, err
	}
	out := &vw.ChairHappening{Mark: m.ID, Event: m.Event, Title: eventWords(e, m), Time: instant(m.At), Minute: m.At.Sub(v.Began).Minutes(), First: e.First,
		Rule: &vw.Reason{Rule: e.ID, Stance: saysToProto[e.Rule.Says], Text: e.Rule.Why, Provenance: markToProto(e.Rule.Mark)}}
	for _, own := range settings.GetChairInstructions() {
		if own.GetEvent() == m.Event {
			out.First, out.OwnInstruction = own.GetText(), true
		}
	}
	return out, nil
}

func eventWords(e chairside.Event, m chairside.Mark) string {
	text := e.Name
	if m.Canal != "" {
		text += ": " + m.Canal
	}
	if m.Partner != "" {
		text += " into " + m.Partner
	}
	if m.Third != "" {
		text += ", " + string(m.Third) + " third"
	}
	return text
}

func readyToProto(r chairside.Ready) *vw.ReadyCheck {
	return &vw.ReadyCheck{MayFill: r.MayFill, Forbidden: r.Forbidden, Unanswered: r.Unanswered, Against: r.Against, Text: readyWords(r)}
}

func readyWords(r chairside.Ready) string {
	var parts []string
	for _, a := range r.Against {
		parts = append(parts, strings.ToUpper(a[:1])+a[1:]+".")
	}
	if len(r.Unanswered) > 0 {
		parts = append(parts, "Not answered: "+strings.Join(r.Unanswered, ", ")+".")
	}
	if len(parts) == 0 {
		return "Ready to fill: every question is answered with yes."
	}
	return strings.Join(parts, " ")
}

// marksToProto shows every entry, those taken back included.
func (o openVisit) marksToProto() []*vw.ChairMark {
	back := map[string]bool{}
	for _, m := range o.marks {
		if m.Kind == chairside.TakeBack {
			back[m.Of] = true
		}
	}
	var out []*vw.ChairMark
	for i, m := range o.marks {
		shown := markToProtoEntry(m)
		shown.TakenBack, shown.Text = back[m.ID], o.markWords(m)
		if i < len(o.kept.Marks) {
			shown.Actor, shown.CreateTime = o.kept.Marks[i].Actor, instant(o.kept.Marks[i].CreateTime)
		}
		out = append(out, shown)
	}
	return out
}

func markToProtoEntry(m chairside.Mark) *vw.ChairMark {
	out := &vw.ChairMark{Id: m.ID, Time: instant(m.At), Late: m.Late}
	switch m.Kind {
	case chairside.Begin:
		out.What = &vw.ChairMark_Begin{Begin: &vw.BeginMark{IdentityConfirmed: m.Identity, AlertsConfirmed: m.Alerts}}
	case chairside.StepBegun:
		out.What = &vw.ChairMark_StepBegun{StepBegun: &vw.StepMark{Step: m.Step, Canal: m.Canal}}
	case chairside.StepDone:
		out.What = &vw.ChairMark_StepDone{StepDone: &vw.StepMark{Step: m.Step, Canal: m.Canal}}
	case chairside.StageDone:
		out.What = &vw.ChairMark_StageDone{StageDone: &vw.StageMark{Stage: m.Stage}}
	case chairside.Pause:
		out.What = &vw.ChairMark_Pause{Pause: &vw.PauseMark{}}
	case chairside.Resume:
		out.What = &vw.ChairMark_Resume{Resume: &vw.ResumeMark{}}
	case chairside.Happened:
		out.What = &vw.ChairMark_Event{Event: &vw.EventMark{Event: m.Event, Canal: m.Canal, Third: string(m.Third), Partner: m.Partner}}
	case chairside.CanalNote:
		n := m.Note
		note := &vw.CanalMark{Canal: m.Canal, State: strings.ReplaceAll(string(n.State), " ", "-"), Patent: n.Patent, ZeroMm: n.ZeroMM, WorkingLengthMm: n.LengthMM,
			ReferencePoint: n.Reference, FileTaper: n.Taper, Decided: n.Decided}
		if n.FileSize != nil {
			size := int32(*n.FileSize)
			note.FileSize = &size
		}
		out.What = &vw.ChairMark_Canal{Canal: note}
	case chairside.Check:
		out.What = &vw.ChairMark_Check{Check: checkToProto(*m.Answers)}
	case chairside.Injection:
		out.What = &vw.ChairMark_Injection{Injection: givenToProto(*m.Given)}
	case chairside.Radiograph:
		out.What = &vw.ChairMark_Radiograph{Radiograph: &vw.RadiographMark{Justification: m.Reason}}
	case chairside.Consent:
		out.What = &vw.ChairMark_Consent{Consent: &vw.ConsentMark{Covers: m.Reason}}
	case chairside.TakeBack:
		out.What = &vw.ChairMark_TakeBack{TakeBack: &vw.TakeBackMark{Mark: m.Of, Reason: m.Reason}}
	case chairside.Correct:
		out.What = &vw.ChairMark_Correction{Correction: &vw.CorrectionMark{Mark: m.Of, Reason: m.Reason}}
	case chairside.End:
		out.What = &vw.ChairMark_End{End: placedToProto(m.Closing)}
	case chairside.LogEntry:
		out.What = &vw.ChairMark_Log{Log: logToProto(*m.Log)}
	}
	return out
}

func checkToProto(a chairside.Answers) *vw.CheckMark {
	say := func(x chairside.Answer) *bool {
		if x == "" {
			return nil
		}
		yes := x == chairside.Yes
		return &yes
	}
	return &vw.CheckMark{Dry: say(a.Dry), Quiet: say(a.Quiet), ToLength: say(a.ToLength), Irrigation: say(a.Irrigation), Numb: say(a.Numb), Covered: say(a.Covered)}
}

func givenToProto(g anaesthetic.Given) *vw.GivenAnaesthetic {
	return &vw.GivenAnaesthetic{Solution: solutionToProto(g.Solution), Cartridges: g.Cartridges}
}

func logToProto(l chairside.Log) *vw.LogMark {
	out := &vw.LogMark{Closing: placedToProto(l.Closing), Reason: l.Reason}
	if l.Minutes > 0 {
		out.ChairMinutes = &l.Minutes
	}
	for _, s := range l.Steps {
		out.Steps = append(out.Steps, &vw.LogStep{Step: s.Step, Canal: s.Canal, Minutes: s.Minutes})
	}
	for _, g := range l.Given {
		out.Given = append(out.Given, givenToProto(g))
	}
	for _, why := range l.Images {
		out.Radiographs = append(out.Radiographs, &vw.RadiographMark{Justification: why})
	}
	return out
}

// markWords is an entry as one line.
func (o openVisit) markWords(m chairside.Mark) string {
	on := ""
	if m.Canal != "" {
		on = ", " + m.Canal
	}
	switch m.Kind {
	case chairside.Begin:
		return "begins: identity and alerts confirmed"
	case chairside.StepBegun:
		return "begins " + o.of.title(m.Step) + on
	case chairside.StepDone:
		return o.of.title(m.Step) + on
	case chairside.StageDone:
		return "caught up: " + o.of.title(m.Stage) + " is done"
	case chairside.Happened:
		if e, err := chairside.FindEvent(m.Event); err == nil {
			return eventWords(e, m)
		}
	case chairside.CanalNote:
		return m.Canal + " noted"
	case chairside.Check:
		return "ready-to-fill check answered"
	case chairside.Injection:
		if m.Given.Cartridges == 1 {
			return "1 cartridge of " + solutionWords(m.Given.Solution)
		}
		return fmt.Sprintf("%g cartridges of %s", m.Given.Cartridges, solutionWords(m.Given.Solution))
	case chairside.Radiograph:
		return "radiograph: " + m.Reason
	case chairside.Consent:
		return "consent: " + m.Reason
	case chairside.TakeBack:
		return "an entry taken back"
	case chairside.Correct:
		return "the time of an entry corrected"
	case chairside.End:
		return "ends"
	case chairside.LogEntry:
		return "log changed: " + m.Log.Reason
	}
	return string(m.Kind)
}

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
