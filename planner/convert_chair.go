package planner

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"github.com/visitwright/visitwright/planner/chairside"
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
