package planner

import (
	"strings"

	"google.golang.org/protobuf/proto"

	"github.com/visitwright/visitwright/planner/proposal"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

func sheetToProto(s proposal.Sheet, parts []sheetPart, against []proposal.Reason) *vw.VisitSheet {
	first := parts[0].rec
	out := &vw.VisitSheet{
		Identity: &vw.IdentityCheck{Reference: first.patient.Reference, Label: first.patient.Contact.Label, Checks: s.Identity},
		Start:    stepsToProto(s.Start), SetOut: s.SetOut, Cautions: cautionsToProto(s.Cautions), Anaesthetic: anaestheticToProto(s.Anaesthetic),
		AppointmentMinutes: int32(s.Length), ChairMinutes: distToProto(s.Minutes), UrgentInstruction: s.Urgent, Reasons: reasonsToProto(against),
	}
	if s.Anaesthetic.Profile == "" && s.Anaesthetic.NoNumber == "" && len(s.Anaesthetic.Agents) == 0 {
		out.Anaesthetic = nil // nothing is injected
	}
	if s.Emergency {
		for _, f := range s.RedFlags {
			out.RedFlags = append(out.RedFlags, f.Question)
		}
	}
	if len(s.Identity) > 0 {
		out.Identity.SecondIdentifier = s.Identity[0]
	}
	var labels []string
	for i, t := range s.Teeth {
		labels = append(labels, t.Label)
		out.Teeth = append(out.Teeth, partToProto(t, parts[i]))
	}
	out.Identity.Teeth = strings.Join(labels, "; ")
	for _, a := range s.Alerts {
		line := &vw.AlertLine{Effect: a.Effect, Alert: &vw.Alert{Kind: a.ID}}
		for _, kept := range first.patient.Alerts {
			if kept.Kind == a.ID {
				line.Alert = alertsToProto(append(first.patient.Alerts[:0:0], kept))[0]
			}
		}
		out.Alerts = append(out.Alerts, line)
	}
	return out
}

func stepsToProto(lines []proposal.Line) []*vw.SheetStep {
	var out []*vw.SheetStep
	for _, l := range lines {
		out = append(out, &vw.SheetStep{Step: l.Step, Text: l.Text, Minutes: l.Minutes, StopFollows: l.StopNext, Provenance: marksToProto(l.Marks)})
	}
	return out
}

func partToProto(t proposal.SheetTooth, p sheetPart) *vw.ToothPart {
	out := &vw.ToothPart{
		Pace: p.plan.GetPace().GetText(),
		Case: p.plan.GetCase(), Tooth: p.plan.GetTooth(), Title: t.Treatment, Aim: t.Aim, Accepted: p.plan.GetAccepted(), Steps: stepsToProto(t.Steps),
		Part: &vw.VisitPart{Plan: p.request.GetPlan(), Option: t.Option, Visit: int32(t.Visit)}, Dressing: t.Dressing, Temporary: t.Temporary,
		Difficulty: p.plan.GetAssessment().GetDifficulty(), GoOn: t.GoOn, Policy: policyOfVisit(p.part, t),
	}
	if !p.part.Consent.Given || p.part.Consent.Option != t.Option {
		out.ConsentGap = t.Consent
	}
	for _, c := range t.Canals {
		out.Canals = append(out.Canals, &vw.CanalRow{Canal: c.Name, State: c.State, Odds: oddsToProto(c.Odds),
			ShortestWorkingLength: figure(c.Usual.SoftLow, "mm", "usual working length, shortest", c.Usual.Mark),
			LongestWorkingLength:  figure(c.Usual.SoftHigh, "mm", "usual working length, longest", c.Usual.Mark)})
	}
	return out
}

// policyOfVisit is the part of the go-on table that belongs to this visit.
func policyOfVisit(p proposal.Part, t proposal.SheetTooth) *vw.PolicyTable {
	o, ok := p.Plan.Option(t.Option)
	if !ok || o.Result == nil {
		return nil
	}
	out := &vw.PolicyTable{}
	for _, row := range policyToProto(o.Result.Table).GetRows() {
		if int(row.GetVisit()) == t.Visit {
			out.Rows = append(out.Rows, proto.CloneOf(row))
		}
	}
	return out
}
