package planner

import (
	"context"
	"fmt"

	"github.com/visitwright/visitwright/planner/anaesthetic"
	"github.com/visitwright/visitwright/planner/proposal"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// anaestheticOf is the running total against the limit before the next
// cartridge: the limit is the patient's, over all teeth of the day.
func (s *ChairService) anaestheticOf(ctx context.Context, caller Caller, out *vw.ChairVisit, o openVisit, rec record) error {
	use := anaestheticFromProto(rec.settings, nil)
	elsewhere, err := s.givenElsewhere(ctx, caller, o, rec)
	if err != nil {
		return err
	}
	use.Given = append(elsewhere, o.state.Given...)
	patient, err := s.patientInput(rec, nil)
	if err != nil {
		return err
	}
	limit, err := proposal.AnaestheticLimit(use, patient)
	if err != nil {
		return err
	}
	out.Anaesthetic = anaestheticToProto(limit)
	out.Given = givenWords(o.state.Given, "")
	out.Given = append(out.Given, givenWords(elsewhere, " in another visit of this day")...)
	return nil
}

func givenWords(given []anaesthetic.Given, where string) []string {
	total := map[string]float64{}
	var order []string
	for _, g := range given {
		words := solutionWords(g.Solution)
		if _, ok := total[words]; !ok {
			order = append(order, words)
		}
		total[words] += g.Cartridges
	}
	var out []string
	for _, words := range order {
		out = append(out, fmt.Sprintf("%g of %s%s", total[words], words, where))
	}
	return out
}

// mostTeethOfDay bounds how many other cases of the patient are looked at.
const mostTeethOfDay = 32

// givenElsewhere is what the patient had on the same calendar day in other
// visits, for whichever tooth.
func (s *ChairService) givenElsewhere(ctx context.Context, caller Caller, o openVisit, rec record) ([]anaesthetic.Given, error) {
	day, err := today(o.state.Began, rec.settings.GetZone())
	if err != nil {
		return nil, err
	}
	cases, _, err := s.store.ListCases(ctx, caller.Reading(), store.CaseQuery{PatientID: rec.kept.PatientID, Page: store.Page{Size: mostTeethOfDay}})
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	var out []anaesthetic.Given
	for _, c := range cases {
		if c.ID == o.kept.CaseID && o.kept.Number == 1 {
			continue
		}
		listed, _, err := s.chair.ListChairVisits(ctx, caller.Reading(), c.ID, store.Page{Size: 5})
		if err != nil {
			return nil, s.fault(err, caller, nil)
		}
		for _, kept := range listed {
			if kept.CaseID == o.kept.CaseID && kept.Number == o.kept.Number || len(kept.Marks) == 0 {
				continue
			}
			if began, err := today(kept.Marks[0].At, rec.settings.GetZone()); err != nil || began != day {
				continue
			}
			other, err := s.open(ctx, caller, kept)
			if err != nil {
				return nil, err
			}
			out = append(out, other.state.Given...)
		}
	}
	return out, nil
}
