package planner

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/visitwright/visitwright/planner/chairside"
	"github.com/visitwright/visitwright/planner/tooth"
	"github.com/visitwright/visitwright/planner/visits"
	"github.com/visitwright/visitwright/proto/fault"
	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// chairPlan is what a visit is read against: one option of a kept revision,
// which never changes.
type chairPlan struct {
	plan    chairside.Plan // without what differs from visit to visit
	message *vw.Plan
	steps   map[string]string // titles of steps, stages and stops
	applied float64           // log factor that the medians carry already
	tooth   tooth.Code
}

// visitDocument is the tooth as it stood before a visit.
type visitDocument struct {
	Begin  visits.State      `json:"begin"`
	Canals []chairside.Canal `json:"canals,omitempty"`
}

// openVisit is one visit with everything that was read for it.
type openVisit struct {
	kept  store.ChairVisit
	of    chairPlan
	plan  chairside.Plan
	marks []chairside.Mark
	state chairside.Visit
}

func (o openVisit) name(caller Caller) string {
	return names.Visit(caller.Practice, o.kept.CaseID, o.kept.Number)
}

// planOf reads an option of a revision as a running visit needs it.
func (s *ChairService) planOf(ctx context.Context, caller Caller, caseID string, revision int, option string) (chairPlan, error) {
	key := fmt.Sprintf("%s/%s/%d/%s", caller.Practice, caseID, revision, option)
	if known, ok := s.plans.look(key); ok {
		return known, nil
	}
	kept, err := s.revision(ctx, caller, caseID, revision)
	if err != nil {
		return chairPlan{}, err
	}
	message, err := s.readPlan(ctx, caller, kept, kept.Revision)
	if err != nil {
		return chairPlan{}, err
	}
	return s.plans.get(key, func() (chairPlan, error) { return s.chairPlan(message, option) })
}

func (s *ChairService) chairPlan(message *vw.Plan, option string) (chairPlan, error) {
	out := chairPlan{message: message, steps: s.stepTitles(), applied: appliedPace(message.GetPace())}
	i := slices.IndexFunc(message.GetWorkings().GetOptions(), func(o *vw.OptionWorkings) bool { return o.GetOption() == option })
	if i < 0 {
		return out, fault.NotFound(vw.ErrorReason_ERROR_REASON_OPTION_NOT_FOUND, message.GetName())
	}
	w := message.GetWorkings().GetOptions()[i]
	model := message.GetWorkings().GetModel()
	if w.GetModel() != nil {
		model = w.GetModel()
	}
	bear := toleranceFromProto(w.GetTolerance())
	out.plan = chairside.Plan{
		Tooth: message.GetTooth().GetIso(), Model: modelFromProto(model), Table: policyFromProto(w.GetPolicy()),
		Option: visits.Option{EarliestCompletion: int(w.GetEarliestFillingVisit()), BookedAhead: int(w.GetBookedAhead()), Bear: &bear},
	}
	for _, l := range w.GetLengths() {
		out.plan.Lengths = append(out.plan.Lengths, visits.Length{Visit: int(l.GetVisit()), Begin: stateFromProto(l.GetBegin()), Minutes: int(l.GetMinutes())})
	}
	if out.plan.Tooth != "" {
		code, err := tooth.Parse(out.plan.Tooth, tooth.ISO)
		if err != nil {
			return out, err
		}
		out.tooth = code
	}
	return out, nil
}

// stepTitles are the words for ids of steps, stages and stops.
func (s *ChairService) stepTitles() map[string]string {
	out := map[string]string{}
	for _, c := range []string{"stages", "stops", "steps"} {
		catalogue, ok := catalogueByID(c)
		if !ok {
			continue
		}
		entries, err := catalogue.entries(s.shipped)
		if err != nil {
			continue
		}
		for _, e := range entries {
			out[e.GetId()] = e.GetTitle()
		}
	}
	return out
}

func (p chairPlan) title(id string) string {
	if t := p.steps[id]; t != "" {
		return t
	}
	return id
}

// visit reads a visit with its marks.
func (s *ChairService) visit(ctx context.Context, caller Caller, name string) (openVisit, error) {
	n, err := caller.One(names.VisitPattern, "name", name, vw.ErrorReason_ERROR_REASON_VISIT_NOT_FOUND)
	if err != nil {
		return openVisit{}, err
	}
	kept, err := s.chair.GetChairVisit(ctx, caller.Reading(), n.ID, n.Number)
	if errors.Is(err, store.ErrNotFound) {
		return openVisit{}, fault.NotFound(vw.ErrorReason_ERROR_REASON_VISIT_NOT_FOUND, name).Because(err)
	}
	if err != nil {
		return openVisit{}, s.fault(err, caller, nil)
	}
	return s.open(ctx, caller, kept)
}

// open reads a kept visit against its plan.
func (s *ChairService) open(ctx context.Context, caller Caller, kept store.ChairVisit) (openVisit, error) {
	out := openVisit{kept: kept}
	var err error
	if out.of, err = s.planOf(ctx, caller, kept.CaseID, kept.Revision, kept.Option); err != nil {
		return out, err
	}
	var document visitDocument
	if err := json.Unmarshal(kept.Document, &document); err != nil {
		return out, fmt.Errorf("visit document: %w", err)
	}
	out.plan = out.of.visit(kept, document)
	for _, m := range kept.Marks {
		mark, err := markFromKept(m)
		if err != nil {
			return out, err
		}
		out.marks = append(out.marks, mark)
	}
	out.state, err = chairside.Read(out.plan, out.marks)
	return out, err
}

func (p chairPlan) visit(kept store.ChairVisit, document visitDocument) chairside.Plan {
	out := p.plan
	out.Length, out.Number, out.Begin, out.Canals = kept.Minutes, kept.Planned, document.Begin, document.Canals
	return out
}

// read folds further marks into a visit.
func (o openVisit) with(marks []chairside.Mark) (openVisit, int, error) {
	all := append(slices.Clone(o.marks), marks...)
	state, err := chairside.Read(o.plan, all)
	if err == nil {
		o.marks, o.state = all, state
		return o, -1, nil
	}
	// Which of the marks it was: the shortest list that fails.
	for i := range marks {
		if _, err := chairside.Read(o.plan, all[:len(o.marks)+i+1]); err != nil {
			return o, i, err
		}
	}
	return o, len(marks) - 1, err
}

// unknownMarks are those that are not kept yet.
func (o openVisit) unknownMarks(marks []chairside.Mark) []chairside.Mark {
	var out []chairside.Mark
	for _, m := range marks {
		if !slices.ContainsFunc(o.marks, func(k chairside.Mark) bool { return k.ID == m.ID }) {
			out = append(out, m)
		}
	}
	return out
}

func (s *ChairService) moment(t time.Time) time.Time {
	if t.IsZero() {
		t = s.now()
	}
	return t.UTC().Truncate(time.Microsecond)
}
