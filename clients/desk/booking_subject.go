package desk

import (
	"slices"
	"strings"

	"golang.org/x/sync/errgroup"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// bookSubject is for whom and for what something is booked: the visits of a
// case's accepted plan, or a visit that no plan asks for.
type bookSubject struct {
	Patient *vw.Patient
	Case    *vw.Case // nil where a patient is booked without one
	Plan    *vw.Plan // nil while a clinician has accepted none
	Option  *vw.TreatmentOption
	// Visits are those of the accepted option, with what is booked of them.
	Visits []*bookVisit
	// Booked are the case's appointments that hold their places or took place.
	Booked []*vw.Appointment
	// Unplanned is the protocol of a visit that no plan asks for; empty books the
	// plan.
	Unplanned string
	Minutes   int32 // of an unplanned visit
}

// bookVisit is one visit of the accepted option.
type bookVisit struct {
	*vw.PlannedVisit
	Part     *vw.VisitPart
	IfNeeded bool
	// Appointment is where it is booked already, or took place.
	Appointment *vw.Appointment
	// Ticked is set when a place is looked for.
	Ticked bool
}

// rarely is the chance below which a visit is booked only if needed.
const rarely = 0.5

// Path is where the pages of this subject begin.
func (s *bookSubject) Path() string {
	if s.Case != nil {
		return "/cases/" + lastPart(s.Case.GetName())
	}
	return "/patients/" + lastPart(s.Patient.GetName())
}

// Back leads to the page that one came from.
func (s *bookSubject) Back() string { return s.Path() }

// Open are the visits that have no place yet.
func (s *bookSubject) Open() []*bookVisit {
	var out []*bookVisit
	for _, v := range s.Visits {
		if v.Appointment == nil {
			out = append(out, v)
		}
	}
	return out
}

// visit is the visit of the plan with a number; nil when there is none.
func (s *bookSubject) visit(number int32) *bookVisit {
	for _, v := range s.Visits {
		if v.GetNumber() == number {
			return v
		}
	}
	return nil
}

// CaseName is the resource name of the case; empty without one.
func (s *bookSubject) CaseName() string { return s.Case.GetName() }

// bookSubject reads the subject of the address: a case or a patient.
func (q *ask) bookSubject() (*bookSubject, error) {
	s := &bookSubject{}
	var err error
	if id := q.path("patient"); id != "" {
		s.Patient, err = q.planner().GetPatient(q, &vw.GetPatientRequest{Name: q.name("patients", id)})
		return s, err
	}
	return q.caseSubject(q.name("cases", q.path("case")))
}

// caseSubject is the subject of a case.
func (q *ask) caseSubject(name string) (*bookSubject, error) {
	s := &bookSubject{}
	var err error
	if s.Case, err = q.planner().GetCase(q, &vw.GetCaseRequest{Name: name}); err != nil {
		return nil, err
	}
	g := errgroup.Group{}
	g.Go(func() (err error) {
		s.Patient, err = q.planner().GetPatient(q, &vw.GetPatientRequest{Name: s.Case.GetPatient()})
		return err
	})
	if s.Case.GetLatestPlan() != "" {
		g.Go(func() (err error) {
			s.Plan, err = q.planner().GetPlan(q, &vw.GetPlanRequest{Name: s.Case.GetLatestPlan()})
			return err
		})
	}
	g.Go(func() (err error) {
		s.Booked, err = q.bookedOf(s.Case.GetName())
		return err
	})
	if err := g.Wait(); err != nil {
		return nil, err
	}
	s.plan()
	return s, nil
}

// How far back and ahead the appointments of a case are looked for; together
// no more than the service lists at once.
const (
	daysBack  = 60
	daysAhead = 338
)

// bookedOf lists the appointments of a case that hold their places.
func (q *ask) bookedOf(caseName string) ([]*vw.Appointment, error) {
	today := q.words.Today()
	return q.appointmentsOf(&vw.ListAppointmentsRequest{Case: caseName,
		Days: &vw.DateRange{FirstDate: q.words.addDays(today, -daysBack), LastDate: q.words.addDays(today, daysAhead)}})
}

// visitOfPlan reports whether an appointment holds a place for a visit of a plan
// of the case; a consultation does not.
func visitOfPlan(a *vw.Appointment, caseName string) bool {
	return live(a) && slices.ContainsFunc(a.GetParts(), func(p *vw.VisitPart) bool { return strings.HasPrefix(p.GetPlan(), caseName+"/plans/") })
}

// anyBooked says of each case whether a visit of its plan holds a place.
func (q *ask) anyBooked(cases []*vw.Case) ([]bool, error) {
	out := make([]bool, len(cases))
	g := errgroup.Group{}
	g.SetLimit(8)
	for i, c := range cases {
		g.Go(func() error {
			booked, err := q.bookedOf(c.GetName())
			out[i] = slices.ContainsFunc(booked, func(a *vw.Appointment) bool { return visitOfPlan(a, c.GetName()) })
			return err
		})
	}
	return out, g.Wait()
}

// acceptedOption is the option of a plan that is to be booked: the accepted
// one, else, where the plan was made anew during treatment, the recommended
// one, because treatment goes on by it.
func acceptedOption(p *vw.Plan) *vw.TreatmentOption {
	id := p.GetAccepted().GetOption()
	if cause := p.GetCause(); id == "" && (cause == "chair-event" || cause == "visit-ended") {
		id = p.GetRecommendedOption()
	}
	for _, o := range p.GetOptions() {
		if id != "" && o.GetId() == id && o.GetFeasible() {
			return o
		}
	}
	return nil
}

func (s *bookSubject) plan() {
	if s.Option = acceptedOption(s.Plan); s.Option == nil {
		return
	}
	for _, v := range s.Option.GetVisits() {
		b := &bookVisit{PlannedVisit: v, Part: &vw.VisitPart{Plan: s.Plan.GetName(), Option: s.Option.GetId(), Visit: v.GetNumber()},
			IfNeeded: v.GetNeeded() != nil && v.GetNeeded().GetProbability() < rarely}
		for _, a := range s.Booked {
			if slices.ContainsFunc(a.GetParts(), func(p *vw.VisitPart) bool {
				return p.GetPlan() == b.Part.GetPlan() && p.GetVisit() == v.GetNumber() && (p.GetOption() == "" || p.GetOption() == s.Option.GetId())
			}) {
				b.Appointment = a
			}
		}
		s.Visits = append(s.Visits, b)
	}
}

// Earlier are appointments still ahead that were booked by an earlier plan.
func (s *bookSubject) Earlier() []*vw.Appointment {
	var out []*vw.Appointment
	for _, a := range s.Booked {
		if ahead(a) && !slices.ContainsFunc(s.Visits, func(v *bookVisit) bool { return v.Appointment == a }) && len(a.GetParts()) > 0 {
			out = append(out, a)
		}
	}
	return out
}
