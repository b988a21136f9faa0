package planner

import (
	"encoding/json"
	"fmt"
	"math"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	"github.com/visitwright/visitwright/planner/chairside"
	"github.com/visitwright/visitwright/planner/difficulty"
	"github.com/visitwright/visitwright/planner/protocol"
	"github.com/visitwright/visitwright/planner/visits"
	"github.com/visitwright/visitwright/proto/fault"
	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/scheduler/civil"
	"github.com/visitwright/visitwright/store"
)

// settingsPaths says where in a request the fields stand that the layers below
// speak of.
var settingsPaths = fault.Paths{
	"overrides.figures": "settings.overrides", "overrides.off": "settings.steps_off", "overrides.sequences": "settings.sequences",
	"zone": "settings.zone", "notation": "settings.notation", "name": "settings.title", "settings": "settings", "etag": "settings.etag",
}

// plannerKey is the part of a practice's settings document that belongs to
// this service; the rest belongs to others and is left as it is.
const plannerKey = "planner"

// settingsToProto shows a practice's settings as kept, without defaults.
func settingsToProto(p store.Practice) (*vw.PracticeSettings, error) {
	out := &vw.PracticeSettings{}
	var parts map[string]json.RawMessage
	if err := json.Unmarshal(p.Settings, &parts); err != nil {
		return nil, fmt.Errorf("settings document: %w", err)
	}
	if own, ok := parts[plannerKey]; ok {
		// What a later release wrote and this one does not know is left out.
		if err := (protojson.UnmarshalOptions{DiscardUnknown: true}).Unmarshal(own, out); err != nil {
			return nil, fmt.Errorf("settings document: %w", err)
		}
	}
	out.Name, out.Title, out.Zone, out.Notation = names.Settings(p.ID), p.Name, p.Zone, notationToProto[p.Notation]
	out.UpdateTime, out.Etag = instant(p.UpdateTime), p.Etag
	return out, nil
}

// Shown reads the settings by which a practice shows teeth, days and weeks.
func Shown(p store.Practice) (*vw.PracticeSettings, error) { return settingsToProto(p) }

// settingsDocument puts the settings back into the practice's document. What
// has a column of its own is left out.
func settingsDocument(document []byte, s *vw.PracticeSettings) ([]byte, error) {
	parts := map[string]json.RawMessage{}
	if len(document) > 0 {
		if err := json.Unmarshal(document, &parts); err != nil {
			return nil, fmt.Errorf("settings document: %w", err)
		}
	}
	own := proto.CloneOf(s)
	own.Name, own.Title, own.Zone, own.Notation, own.UpdateTime, own.Etag = "", "", "", 0, nil, ""
	text, err := protojson.MarshalOptions{UseProtoNames: true}.Marshal(own)
	if err != nil {
		return nil, err
	}
	parts[plannerKey] = text
	return json.Marshal(parts)
}

// checkSettings refuses settings that nothing can be planned with.
func (s *Service) checkSettings(v *vw.PracticeSettings) error {
	if _, err := civil.Embedded().Zone(v.GetZone()); err != nil {
		return fault.Invalid(vw.ErrorReason_ERROR_REASON_UNKNOWN_ZONE, "settings.zone", `an IANA zone, for example "Europe/Vienna"`).Because(err)
	}
	if g := v.GetGrid(); g != nil && (g.GetLeast() > g.GetMost() || g.GetStep() <= 0 || g.GetLeast() <= 0) {
		return fault.Invalid(vw.ErrorReason_ERROR_REASON_IMPOSSIBLE_FIGURE, "settings.grid", "a shortest length that is not above the longest, and a step above 0")
	}
	if c := v.GetCost(); c != nil {
		for _, part := range []struct {
			field string
			value float64
		}{{"work", c.GetWork()}, {"overrun", c.GetOverrun()}, {"idle", c.GetIdle()}, {"visit", c.GetVisit()}, {"unused", c.GetUnused()}} {
			if math.IsNaN(part.value) || part.value < 0 || part.value > 1e4 {
				return fault.Invalid(vw.ErrorReason_ERROR_REASON_IMPOSSIBLE_FIGURE, "settings.cost."+part.field, "0 to 10000, in minutes of work")
			}
		}
		if c.GetOverrun()+c.GetIdle() <= 0 {
			return fault.Invalid(vw.ErrorReason_ERROR_REASON_IMPOSSIBLE_FIGURE, "settings.cost", "a cost for overrun or for idle minutes, or no length is better than another")
		}
	}
	if id := v.GetDressing(); id != "" {
		if _, err := s.shipped.Medicament(id); err != nil {
			return unknownID("settings.dressing", "medicaments").Because(err)
		}
	}
	if id := v.GetTemporary(); id != "" {
		if _, err := s.shipped.Temporary(id); err != nil {
			return unknownID("settings.temporary", "temporaries").Because(err)
		}
	}
	if id := v.GetDifficultyEdition(); id != "" {
		if _, err := difficulty.Criteria(difficulty.Edition(id)); err != nil {
			return unknownID("settings.difficulty_edition", "difficulty-editions").Because(err)
		}
	}
	for i, instruction := range v.GetChairInstructions() {
		if _, err := chairside.FindEvent(instruction.GetEvent()); err != nil {
			return unknownID(index("settings.chair_instructions", i)+".event", "chair-events").Because(err)
		}
	}
	if err := checkAnaesthetic(v); err != nil {
		return err
	}
	overrides, err := overridesFromProto(v)
	if err != nil {
		return err
	}
	if _, err := s.shipped.With(overrides); err != nil {
		return s.fault(err, Caller{}, settingsPaths)
	}
	return nil
}

// overridesFromProto reads the practice's own figures and habits.
func overridesFromProto(v *vw.PracticeSettings) (protocol.Overrides, error) {
	out := protocol.Overrides{Off: v.GetStepsOff()}
	for i, o := range v.GetOverrides() {
		if out.Figures == nil {
			out.Figures = map[string]float64{}
		}
		if _, twice := out.Figures[o.GetFigure()]; twice {
			return out, fault.Invalid(vw.ErrorReason_ERROR_REASON_INVALID_OVERRIDE, fmt.Sprintf("settings.overrides[%d].figure", i), "each figure once")
		}
		out.Figures[o.GetFigure()] = o.GetValue()
	}
	for i, seq := range v.GetSequences() {
		if out.Sequences == nil {
			out.Sequences = map[string][]protocol.OwnStep{}
		}
		if _, twice := out.Sequences[seq.GetSequence()]; twice {
			return out, fault.Invalid(vw.ErrorReason_ERROR_REASON_INVALID_OVERRIDE, fmt.Sprintf("settings.sequences[%d].sequence", i), "each sequence once")
		}
		for _, step := range seq.GetSteps() {
			out.Sequences[seq.GetSequence()] = append(out.Sequences[seq.GetSequence()], protocol.OwnStep{
				ID: step.GetId(), Name: step.GetTitle(), Median: step.GetMinutes().GetMedian(), LogSD: step.GetMinutes().GetLogSd(), Scaled: step.GetMinutes().GetScaled(),
			})
		}
	}
	return out, nil
}

func gridFromProto(g *vw.LengthGrid) visits.Grid {
	return visits.Grid{Least: int(g.GetLeast()), Most: int(g.GetMost()), Step: int(g.GetStep())}
}

func gridToProto(g visits.Grid) *vw.LengthGrid {
	return &vw.LengthGrid{Least: int32(g.Least), Most: int32(g.Most), Step: int32(g.Step)}
}

func costFromProto(c *vw.Cost) visits.Cost {
	return visits.Cost{Work: c.GetWork(), Overrun: c.GetOverrun(), Idle: c.GetIdle(), Visit: c.GetVisit(), Unused: c.GetUnused()}
}

func costToProto(c visits.Cost) *vw.Cost {
	return &vw.Cost{Work: c.Work, Overrun: c.Overrun, Idle: c.Idle, Visit: c.Visit, Unused: c.Unused}
}

func toleranceFromProto(t *vw.Tolerance) visits.Bear {
	return visits.Bear{Minutes: int(t.GetMinutes()), Chance: t.GetChance()}
}

func toleranceToProto(b visits.Bear) *vw.Tolerance {
	if b == (visits.Bear{}) {
		return nil
	}
	return &vw.Tolerance{Minutes: int32(b.Minutes), Chance: b.Chance}
}
