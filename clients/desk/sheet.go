package desk

import (
	"cmp"
	"strconv"

	"golang.org/x/sync/errgroup"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

var sheetRoutes = []route{
	{"GET /cases/{case}/sheet", careTeam, (*ask).sheetPage},
}

// sheetView is the one page for nurse and clinician, as it is printed.
type sheetView struct {
	*head
	Sheet *vw.VisitSheet
	Plan  *vw.Plan
	// Visits are those of the option, for the row of links; Number is the one
	// shown, 0 for a joint appointment.
	Visits []*vw.PlannedVisit
	Number int32
	At     *vw.Appointment
	NoPlan bool
	Why    string
	// Call is what the patient said on the telephone, when they come today from an
	// urgent call or the visit was booked for one.
	Call *occasionView
}

// Joint reports whether several teeth share the visit.
func (p *sheetView) Joint() bool { return len(p.Sheet.GetTeeth()) > 1 }

// Blank is room to write on where a figure is not known yet.
func (p *sheetView) Blank() string { return "\u00a0" }

func (q *ask) sheetPage() (*page, error) {
	h, err := q.readHead("sheet", "canal-states")
	if err != nil {
		return nil, err
	}
	p := &sheetView{head: h, NoPlan: h.Case.GetLatestPlan() == ""}
	out := &page{name: "sheet", title: q.titleOf("sheet.title", h), section: "patients", data: p}
	today, err := q.diary().ListAppointments(q, &vw.ListAppointmentsRequest{Parent: q.practice, Days: q.around(0, 0), Patient: h.Case.GetPatient(), PageSize: mostKept})
	if err != nil {
		return nil, err
	}
	if p.NoPlan {
		p.Call, err = q.occasionView(callOf(today.GetAppointments()))
		return out, err
	}
	parts, err := q.sheetParts(p)
	if err != nil {
		return nil, err
	}
	if p.Call, err = q.occasionView(callOf(append([]*vw.Appointment{p.At}, today.GetAppointments()...))); err != nil {
		return nil, err
	}
	p.Sheet, err = q.planner().GetVisitSheet(q, &vw.GetVisitSheetRequest{Parts: parts})
	if err != nil {
		f := newForm(nil)
		if !f.refused(err, nil) {
			return nil, err
		}
		p.Why = f.Problem
	}
	return out, nil
}

// sheetParts works out which visit is meant: the one that was asked for, the
// running one, that of the next appointment with all its teeth, or the next of
// the plan.
func (q *ask) sheetParts(p *sheetView) ([]*vw.VisitPart, error) {
	var visits []*vw.ChairVisit
	var coming []*vw.Appointment
	g, ctx := errgroup.WithContext(q)
	g.Go(func() (err error) {
		p.Plan, err = q.planner().GetPlan(ctx, &vw.GetPlanRequest{Name: p.Case.GetLatestPlan()})
		return err
	})
	g.Go(func() error {
		reply, err := q.chair().ListVisits(ctx, &vw.ListVisitsRequest{Parent: p.Case.GetName(), PageSize: 20})
		visits = reply.GetVisits()
		return err
	})
	g.Go(func() error {
		reply, err := q.diary().ListAppointments(ctx, &vw.ListAppointmentsRequest{Parent: q.practice, Days: q.around(0, 200), Case: p.Case.GetName(), PageSize: mostKept})
		coming, _ = q.split(reply.GetAppointments())
		return err
	})
	if err := g.Wait(); err != nil {
		return nil, err
	}
	option := cmp.Or(p.Plan.GetAccepted().GetOption(), p.Plan.GetRecommendedOption())
	p.Visits = optionOf(p.Plan, option).GetVisits()
	number := int32(1)
	for _, v := range visits {
		if v.GetPart().GetPlan() == p.Plan.GetName() {
			number = max(number, v.GetPart().GetVisit()+1)
			if v.GetPhase() != vw.ChairVisit_PHASE_ENDED {
				number = v.GetPart().GetVisit()
			}
		}
	}
	number = min(number, max(1, int32(len(p.Visits))))
	if n, err := strconv.ParseInt(q.form.Get("visit"), 10, 32); err == nil && n >= 1 {
		number = int32(n)
		coming = nil
	}
	p.Number = number
	for _, a := range coming {
		for _, part := range a.GetParts() {
			if part.GetPlan() == p.Plan.GetName() && part.GetVisit() == number {
				p.At = a
				return a.GetParts(), nil
			}
		}
	}
	return []*vw.VisitPart{{Plan: p.Plan.GetName(), Option: option, Visit: number}}, nil
}
