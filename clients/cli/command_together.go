package cli

import (
	"fmt"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// TogetherCommand plans several teeth of one patient for the same visits.
type TogetherCommand struct {
	Cases    []string `arg:"" name:"case" help:"Ids of two or more cases of one patient; the first tooth opens each visit."`
	Revision int64    `help:"Revision of the plans; without it the newest of each." placeholder:"N"`
}

// Run prints the shared visits.
func (c *TogetherCommand) Run(s *Session) error {
	request := &vw.GetSharedVisitsRequest{}
	for _, id := range c.Cases {
		name, err := s.plan(id, c.Revision)
		if err != nil {
			return err
		}
		request.Plans = append(request.Plans, name)
	}
	shared, err := s.planner().GetSharedVisits(s.Context, request)
	if err != nil {
		return err
	}
	return s.Show(shared, func(p *Page) { showTogether(p, shared) })
}

func showTogether(p *Page, shared *vw.SharedVisits) {
	p.Title("Several teeth in the same visits")
	for _, v := range shared.GetVisits() {
		p.Heading("Visit %d: %s", v.GetNumber(), minutes(float64(v.GetAppointmentMinutes())))
		for _, t := range v.GetTeeth() {
			p.Item("%s", t)
		}
		p.Text("%s", sentence(v.GetOnTime().GetWords()))
		switch w := v.GetWindow(); {
		case w == nil:
		case w.GetNoCommonDay():
			p.Text("No day suits all of these teeth: give them visits of their own.")
		default:
			p.Text("%s", sentence(fmt.Sprintf("day %d to %d after the visit before, best day %d", w.GetEarliestDays(), w.GetLatestDays(), w.GetTargetDays())))
		}
	}
	if len(shared.GetReasons()) > 0 {
		p.Heading("Against treating them together")
		for _, r := range shared.GetReasons() {
			p.Item("%s%s", r.GetText(), mark(r.GetProvenance()))
		}
	}
	showAnaesthetic(p, shared.GetAnaesthetic())
}
