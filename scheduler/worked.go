package scheduler

import (
	"encoding/json"
	"fmt"
	"slices"

	"google.golang.org/protobuf/encoding/protojson"

	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/scheduler/civil"
	"github.com/visitwright/visitwright/scheduler/diary"
	"github.com/visitwright/visitwright/store"
)

// Parts of a practice's settings document: ours, and the planner's, of which
// the grid of lengths and the urgent-care instruction are read.
const (
	diaryKey   = "diary"
	plannerKey = "planner"
)

// worked is how a practice works: its settings with what ships in the gaps.
type worked struct {
	settings    *vw.DiarySettings
	lengthStep  int // minutes; appointment lengths are multiples of it
	instruction string
	useful      []int

	prepare, cleanUp       int // minutes, on the grid
	hasNurse, hasEquipment bool
	onsetFrom, onsetTo     int
	accessFrom             int
}

// settingsOf reads a practice's diary settings as kept, without what ships.
func settingsOf(p store.Practice) (*vw.DiarySettings, map[string]json.RawMessage, error) {
	out := &vw.DiarySettings{}
	parts := map[string]json.RawMessage{}
	if len(p.Settings) > 0 {
		if err := json.Unmarshal(p.Settings, &parts); err != nil {
			return nil, nil, fmt.Errorf("settings document: %w", err)
		}
	}
	if text, ok := parts[diaryKey]; ok {
		// What a later release wrote and this one does not know is left out.
		if err := (protojson.UnmarshalOptions{DiscardUnknown: true}).Unmarshal(text, out); err != nil {
			return nil, nil, fmt.Errorf("settings document: %w", err)
		}
	} else {
		// Until a practice says otherwise its nurses stay throughout.
		out.NurseThroughout = true
	}
	return out, parts, nil
}

// completed fills the gaps of kept settings.
func (s *Diary) completed(p store.Practice) (*vw.DiarySettings, map[string]json.RawMessage, error) {
	out, parts, err := settingsOf(p)
	if err != nil {
		return nil, nil, err
	}
	set := func(v *int32, id string) {
		if *v == 0 {
			*v = int32(s.figures.whole(id))
		}
	}
	_, kept := parts[diaryKey]
	set(&out.StartStepMinutes, "step")
	set(&out.ProvisionalMinutes, "provisional")
	if !kept {
		out.IfNeededReleaseDays = int32(s.figures.whole("if-needed.days"))
		out.WaitCost = int32(s.figures.whole("wait.cost"))
		out.TargetCost = int32(s.figures.whole("target.cost"))
		out.CapacityCost = int32(s.figures.whole("capacity.cost"))
	}
	out.Name, out.Etag = names.DiarySettings(p.ID), p.Etag
	out.UpdateTime = instant(p.UpdateTime)
	return out, parts, nil
}

func (s *Diary) workedOf(setup store.DiarySetup) (worked, error) {
	settings, parts, err := s.completed(setup.Practice)
	if err != nil {
		return worked{}, err
	}
	w := worked{settings: settings, lengthStep: diary.Grid,
		onsetFrom: s.figures.whole("onset.from"), onsetTo: s.figures.whole("onset.to"), accessFrom: s.figures.whole("access.from"),
		useful: []int{s.figures.whole("useful.short"), s.figures.whole("useful.middle"), s.figures.whole("useful.long")}}
	if text, ok := parts[plannerKey]; ok {
		plan := &vw.PracticeSettings{}
		if err := (protojson.UnmarshalOptions{DiscardUnknown: true}).Unmarshal(text, plan); err != nil {
			return worked{}, fmt.Errorf("settings document: %w", err)
		}
		w.instruction = plan.GetUrgentInstruction()
		if step := int(plan.GetGrid().GetStep()); step > 0 {
			w.lengthStep = step
		}
	}
	for _, r := range setup.Resources {
		if !r.Active {
			continue
		}
		// Where rooms differ, the longest preparation and clean-up count for all:
		// a set of places then fits whichever room it gets.
		w.prepare = max(w.prepare, ceil(r.PreparationMinutes))
		w.cleanUp = max(w.cleanUp, ceil(r.CleanUpMinutes))
		w.hasNurse = w.hasNurse || r.Kind == store.KindNurse
		w.hasEquipment = w.hasEquipment || r.Kind == store.KindEquipment && r.Class == settings.GetAccessEquipmentClass()
	}
	return w, nil
}

// upToStep is the shortest length that the practice books for so many minutes.
func (w worked) upToStep(minutes int) int {
	return (minutes + w.lengthStep - 1) / w.lengthStep * w.lengthStep
}

func ceil(minutes int) int { return (minutes + diary.Grid - 1) / diary.Grid * diary.Grid }

// parts says who and what a visit holds, each for its own part.
func (w worked) parts(minutes int) []diary.Part {
	m := diary.Manner{Prepare: w.prepare, CleanUp: w.cleanUp}
	if w.settings.GetClinicianFreeDuringOnset() {
		m.OnsetFrom, m.OnsetTo = w.onsetFrom, w.onsetTo
	}
	if w.settings.GetAccessEquipmentClass() != "" {
		m.Equipment = []diary.Use{{Kind: w.settings.GetAccessEquipmentClass(), From: w.accessFrom}}
	}
	parts := m.Parts(minutes)
	if w.hasNurse && w.settings.GetNurseThroughout() {
		return parts
	}
	parts = slices.DeleteFunc(parts, func(p diary.Part) bool { return p.Needs == diary.KindNurse })
	if !w.hasNurse {
		return parts
	}
	// Before and after: to prepare and bring the patient in, and to clean up.
	before, after := diary.Part{Needs: diary.KindNurse, From: -w.prepare, To: min(diary.Grid, minutes)}, diary.Part{Needs: diary.KindNurse, From: minutes - diary.Grid, To: minutes + w.cleanUp}
	if after.From <= before.To {
		return append(parts, diary.Part{Needs: diary.KindNurse, From: before.From, To: after.To})
	}
	return append(parts, before, after)
}

// weights are the integer costs by which offers are ranked.
func (w worked) weights() diary.Weights {
	s := w.settings
	c := int(s.GetCapacityCost())
	return diary.Weights{WaitDay: int(s.GetWaitCost()), Early: int(s.GetTargetCost()) * 4 / 5, Late: int(s.GetTargetCost()), Change: 3 * int(s.GetWaitCost()),
		Room: c * 2 / 5, Clinician: c, Nurse: c / 5, Unit: c * 3 / 5}
}

// reserves are the times kept for emergencies.
func (w worked) reserves(setup store.DiarySetup) ([]diary.Reserve, diary.Release) {
	var out []diary.Reserve
	release := diary.Release{At: civil.EndOfDay}
	for _, r := range w.settings.GetReserves() {
		release.At = civil.TimeOfDay(r.GetReleaseMinute())
		var week civil.Week
		week[int(r.GetWeekday())%7] = []civil.Span{{From: civil.TimeOfDay(r.GetFromMinute()), To: civil.TimeOfDay(r.GetToMinute())}}
		hours := civil.EveryWeek(week)
		for _, ref := range keptFor(setup, r.GetResource()) {
			out = append(out, diary.Reserve{Resource: ref, Hours: hours})
		}
	}
	return out, release
}

// keptFor is whose time a reserve keeps; nobody when they are no longer there.
func keptFor(setup store.DiarySetup, name string) []diary.Ref {
	var out []diary.Ref
	for _, c := range setup.Clinicians {
		if c.Active && (name == "" || name == names.Clinician(setup.Practice.ID, c.ID)) {
			out = append(out, diary.Ref{Kind: diary.KindClinician, ID: c.ID})
		}
	}
	for _, r := range setup.Resources {
		if r.Active && name == names.Resource(setup.Practice.ID, r.ID) {
			out = append(out, diary.Ref{Kind: kindToDiary[r.Kind], ID: r.ID})
		}
	}
	return out
}

var kindToDiary = map[store.ResourceKind]diary.Kind{
	store.KindRoom: diary.KindRoom, store.KindClinician: diary.KindClinician, store.KindNurse: diary.KindNurse, store.KindEquipment: diary.KindUnit,
}

var kindToStore = map[diary.Kind]store.ResourceKind{
	diary.KindRoom: store.KindRoom, diary.KindClinician: store.KindClinician, diary.KindNurse: store.KindNurse, diary.KindUnit: store.KindEquipment,
}
