package scheduler

import (
	"context"
	"fmt"
	"slices"
	"sync"

	"google.golang.org/protobuf/proto"

	"github.com/visitwright/visitwright/planner/tooth"
	"github.com/visitwright/visitwright/proto/fault"
	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/scheduler/civil"
	"github.com/visitwright/visitwright/scheduler/diary"
	"github.com/visitwright/visitwright/store"
)

// demand is what one visit asks of the diary, and of which cases.
type demand struct {
	cases     []store.VisitOf
	protocol  string
	minutes   int
	window    diary.Window
	ifNeeded  bool
	unplanned bool
	sides     map[tooth.Side]bool // of the lower jaw that are numbed by a block
	patient   string              // of the cases; empty when there is none
	clinician string              // who treats the case
	anchor    civil.Date          // day 0 of the window when another practice began the treatment
	parts     []*vw.VisitPart     // with the option that was found
}

// plannedVisits is what is read out of a kept plan revision. Revisions never
// change, so that it is read once.
type plannedVisits struct {
	visits      []store.PlannedVisit
	options     []string
	infeasible  map[string]string
	protocol    string
	recommended string
	intake      *vw.ReturnWindow
	chair       map[string][]float64 // by option and visit
}

// planCache keeps what was read out of plan revisions: no patient's data but
// minutes, days and ids.
type planCache struct {
	mu   sync.Mutex
	kept map[string]*plannedVisits
}

const mostPlansKept = 4096

func (p *planCache) get(key string) *plannedVisits {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.kept[key]
}

func (p *planCache) put(key string, v *plannedVisits) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.kept == nil || len(p.kept) >= mostPlansKept {
		p.kept = map[string]*plannedVisits{}
	}
	p.kept[key] = v
}

// fromZero is the chances of a distribution by minute, from 0 on; nil for none.
func fromZero(d *vw.Distribution) []float64 {
	if len(d.GetProbabilities()) == 0 {
		return nil
	}
	return append(make([]float64, max(0, int(d.GetFirstMinute()))), d.GetProbabilities()...)
}

func chairKey(option string, visit int) string { return fmt.Sprintf("%s/%d", option, visit) }

// planned reads one revision, and which option of it was accepted.
func (s *Diary) planned(ctx context.Context, c Caller, caseID string, revision int) (*plannedVisits, string, error) {
	r, err := s.store.GetPlanRevision(ctx, c.Reading(), caseID, revision)
	if err != nil {
		return nil, "", s.fault(err, c, nil)
	}
	accepted := ""
	if r.Acceptance != nil {
		accepted = r.Acceptance.Option
	}
	key := fmt.Sprintf("%s/%s/%d", c.Practice, caseID, revision)
	if known := s.plans.get(key); known != nil {
		return known, accepted, nil
	}
	plan := &vw.Plan{}
	if err := proto.Unmarshal(r.Document, plan); err != nil {
		return nil, "", fmt.Errorf("plan %s: %w", key, err)
	}
	out := &plannedVisits{visits: r.Visits, recommended: r.Recommended, protocol: plan.GetProtocol(), intake: plan.GetIntake(),
		infeasible: map[string]string{}, chair: map[string][]float64{}}
	for _, o := range plan.GetOptions() {
		out.options = append(out.options, o.GetId())
		if !o.GetFeasible() {
			out.infeasible[o.GetId()] = o.GetInfeasibleBecause()
		}
		for _, v := range o.GetVisits() {
			if d := fromZero(v.GetChairMinutes()); len(d) > 0 {
				out.chair[chairKey(o.GetId(), int(v.GetNumber()))] = d
			}
		}
	}
	s.plans.put(key, out)
	return out, accepted, nil
}

// demandOf reads what a visit asks for: the parts of its teeth, or a visit that
// no plan asks for.
func (s *Diary) demandOf(ctx context.Context, c Caller, field string, parts []*vw.VisitPart, un *vw.UnplannedVisit, w worked) (*demand, error) {
	switch {
	case len(parts) > 0 && un != nil:
		return nil, invalidField(field+".unplanned", "nothing beside parts")
	case un != nil:
		return s.unplanned(ctx, c, field+".unplanned", un, w)
	case len(parts) == 0:
		return nil, invalidField(field+".parts", "at least one visit of a plan, or unplanned")
	}
	out := &demand{window: diary.AnyDay, sides: map[tooth.Side]bool{}}
	for i, p := range parts {
		at := fmt.Sprintf("%s.parts[%d]", field, i)
		if err := s.addPart(ctx, c, at, p, out); err != nil {
			return nil, err
		}
	}
	visit, ok, err := s.together(ctx, out.parts)
	if err != nil {
		return nil, err
	}
	if ok {
		out.minutes = w.upToStep(int(visit.GetAppointmentMinutes()))
	}
	return out, nil
}

// together is the visit of several teeth with one start; ok is false for one
// tooth, and where each keeps its own.
func (s *Diary) together(ctx context.Context, parts []*vw.VisitPart) (*vw.SharedVisit, bool, error) {
	if len(parts) < 2 || s.joint == nil {
		return nil, false, nil
	}
	return s.joint(ctx, parts)
}

func (s *Diary) unplanned(ctx context.Context, c Caller, field string, un *vw.UnplannedVisit, w worked) (*demand, error) {
	if !slices.Contains(s.protocols, un.GetProtocol()) {
		return nil, unknownID(field+".protocol", "protocols")
	}
	out := &demand{protocol: un.GetProtocol(), minutes: int(un.GetMinutes()), window: diary.AnyDay, unplanned: true}
	if err := onGrid(field+".minutes", out.minutes, w); err != nil {
		return nil, err
	}
	if un.GetCase() == "" {
		return out, nil
	}
	found, err := s.openCase(ctx, c, field+".case", un.GetCase())
	if err != nil {
		return nil, err
	}
	out.patient, out.clinician = found.PatientID, found.Clinician
	out.cases = []store.VisitOf{{CaseID: found.ID}}
	return out, nil
}

func (s *Diary) openCase(ctx context.Context, c Caller, field, name string) (store.Case, error) {
	n, err := c.One(names.CasePattern, field, name, vw.ErrorReason_ERROR_REASON_CASE_NOT_FOUND)
	if err != nil {
		return store.Case{}, err
	}
	found, err := s.store.GetCase(ctx, c.Reading(), n.ID)
	if err != nil {
		return store.Case{}, s.fault(err, c, nil)
	}
	if found.State == store.CaseClosed {
		return found, fault.State(vw.ErrorReason_ERROR_REASON_CASE_CLOSED, name, "the case is closed: nothing is booked for it any more")
	}
	return found, nil
}

func (s *Diary) addPart(ctx context.Context, c Caller, field string, p *vw.VisitPart, out *demand) error {
	n, err := c.One(names.PlanPattern, field+".plan", p.GetPlan(), vw.ErrorReason_ERROR_REASON_PLAN_NOT_FOUND)
	if err != nil {
		return err
	}
	found, err := s.openCase(ctx, c, field+".plan", names.Case(c.Practice, n.ID))
	if err != nil {
		return err
	}
	if out.patient != "" && out.patient != found.PatientID {
		return fault.State(vw.ErrorReason_ERROR_REASON_DIFFERENT_PATIENTS, p.GetPlan(), "the teeth of one visit belong to one patient")
	}
	for _, other := range out.cases {
		if other.CaseID == found.ID {
			return invalidField(field+".plan", "each tooth once in a visit")
		}
	}
	plan, accepted, err := s.planned(ctx, c, n.ID, n.Number)
	if err != nil {
		return err
	}
	option := p.GetOption()
	if option == "" {
		option = accepted
	}
	if option == "" {
		option = plan.recommended
	}
	if !slices.Contains(plan.options, option) {
		return fault.NotFound(vw.ErrorReason_ERROR_REASON_OPTION_NOT_FOUND, p.GetPlan()).With("field", field+".option")
	}
	if _, no := plan.infeasible[option]; no {
		return fault.State(vw.ErrorReason_ERROR_REASON_OPTION_INFEASIBLE, p.GetPlan(), "the option cannot be done within the practice's lengths: choose another")
	}
	i := slices.IndexFunc(plan.visits, func(v store.PlannedVisit) bool { return v.Option == option && v.Visit == int(p.GetVisit()) })
	if i < 0 {
		return fault.NotFound(vw.ErrorReason_ERROR_REASON_VISIT_NOT_FOUND, p.GetPlan()).With("field", field+".visit")
	}
	v := plan.visits[i]
	first := len(out.cases) == 0
	out.patient = found.PatientID
	out.minutes += v.Minutes
	out.ifNeeded = out.ifNeeded || v.IfNeeded
	out.cases = append(out.cases, store.VisitOf{CaseID: n.ID, Revision: n.Number, Option: option, Visit: v.Visit})
	out.parts = append(out.parts, &vw.VisitPart{Plan: p.GetPlan(), Option: option, Visit: p.GetVisit()})
	if first {
		out.protocol, out.clinician = plan.protocol, found.Clinician
	}
	if code := tooth.Code(found.Tooth); found.Tooth > 0 && code.Arch() == tooth.Lower && (code.Class() == tooth.Molar || code.Class() == tooth.Premolar) {
		out.sides[code.Side()] = true
	}
	window := diary.Window{Earliest: orDays(v.EarliestDays, 0), Target: orDays(v.TargetDays, diary.NoTarget), Latest: orDays(v.LatestDays, diary.NoLatest)}
	if v.Visit == 1 && plan.intake != nil && found.BegunElsewhere != nil {
		// Treatment begun elsewhere brings a clock that already runs.
		if day, err := civil.ParseDate(found.BegunElsewhere.Date); err == nil {
			out.anchor = day
			window = windowFromProto(plan.intake)
		}
	}
	if first {
		out.window = window
	} else {
		out.window = common(out.window, window)
	}
	return nil
}

func orDays(d *int, none int) int {
	if d == nil {
		return none
	}
	return *d
}

func windowFromProto(w *vw.ReturnWindow) diary.Window {
	out := diary.AnyDay
	if b := w.GetEarliest(); b != nil {
		out.Earliest = int(max(0, b.GetDays()))
	}
	if b := w.GetLatest(); b != nil {
		out.Latest = max(out.Earliest, int(b.GetDays()))
	}
	if b := w.GetTarget(); b != nil {
		out.Target = within(int(b.GetDays()), out)
	}
	return out
}

func within(day int, w diary.Window) int {
	day = max(day, w.Earliest)
	if w.Latest != diary.NoLatest {
		day = min(day, w.Latest)
	}
	return day
}

// common is the window that suits both teeth. Where none does, the later
// earliest day leads: a minimum protects the tooth, and the plan of the other
// changes.
func common(a, b diary.Window) diary.Window {
	out := diary.Window{Earliest: max(a.Earliest, b.Earliest), Target: diary.NoTarget, Latest: a.Latest}
	if b.Latest != diary.NoLatest && (out.Latest == diary.NoLatest || b.Latest < out.Latest) {
		out.Latest = b.Latest
	}
	if out.Latest != diary.NoLatest {
		out.Latest = max(out.Latest, out.Earliest)
	}
	switch {
	case a.Target != diary.NoTarget && b.Target != diary.NoTarget:
		out.Target = within(min(a.Target, b.Target), out)
	case a.Target != diary.NoTarget:
		out.Target = within(a.Target, out)
	case b.Target != diary.NoTarget:
		out.Target = within(b.Target, out)
	}
	return out
}

// onGrid refuses a length that the practice does not book.
func onGrid(field string, minutes int, w worked) error {
	if minutes%w.lengthStep != 0 || minutes < diary.Grid || minutes > diary.LongestVisit {
		return fault.Invalid(vw.ErrorReason_ERROR_REASON_LENGTH_OFF_GRID, field,
			fmt.Sprintf("a multiple of %d minutes, at most %d", w.lengthStep, diary.LongestVisit))
	}
	return nil
}

// visit is the demand in the words of the pure diary.
func (d *demand) visit(w worked, urgent bool) diary.Visit {
	v := diary.Visit{Protocol: d.protocol, Minutes: d.minutes, Parts: w.parts(d.minutes), Window: d.window, LowerBlocks: len(d.sides)}
	if urgent {
		// A minimum never blocks a patient in pain or swelling.
		v.Window.Earliest = 0
	}
	return v
}

// visitOf is which visit of a case this is; 0 when it is none.
func (d *demand) visitOf(caseID string) int {
	for _, of := range d.cases {
		if of.CaseID == caseID {
			return of.Visit
		}
	}
	return 0
}

// number is the visit's number in its plan; 0 for one that no plan asks for.
func (d *demand) number() int {
	if len(d.cases) == 0 {
		return 0
	}
	return d.cases[0].Visit
}
