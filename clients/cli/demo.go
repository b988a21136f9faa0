package cli

import (
	"google.golang.org/protobuf/types/known/timestamppb"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// Demo walks one case through the service: patient, case, assessment, plan,
// acceptance with consent, and the sheet of the first visit.
func Demo(s *Session, practice string, file []byte) error {
	asked, err := parseCaseFile(file)
	if err != nil {
		return err
	}
	plan, sheets, err := s.planCase(asked, 0, false)
	if err != nil {
		return err
	}
	opened, err := s.planner().GetCase(s.Context, &vw.GetCaseRequest{Name: plan.GetCase()})
	if err != nil {
		return err
	}
	accepted := plan
	if plan.GetRecommendedOption() != "" {
		accepted, err = s.planner().AcceptOption(s.Context, &vw.AcceptOptionRequest{
			Name: plan.GetName(), Option: plan.GetRecommendedOption(), Etag: plan.GetEtag(),
			Consent: &vw.Consent{Giver: vw.Consent_GIVER_PATIENT, Form: "written", AgreeTime: timestamppb.New(s.Now())}})
		if err != nil {
			return err
		}
		if sheets, err = s.sheets(accepted, plan.GetRecommendedOption()); err != nil {
			return err
		}
	}
	return s.Show(plan, func(p *Page) {
		p.Title("%s", practice)
		p.Text("Everything here is invented: the practice, the patient, the letter. What you see was computed by the gRPC service that " +
			"this command has just started on its own database, and was asked for as any client would ask.")
		ShowCase(p, opened, asked.Patient.GetReference())
		ShowPlan(p, plan)
		if accepted.GetAccepted() != nil {
			p.Heading("Accepted")
			p.Text("A clinician accepted: %s, book %s. %s", titleOf(accepted, plan.GetRecommendedOption()),
				bookings(optionOf(plan, plan.GetRecommendedOption())), sentence(consentWords(accepted.GetAccepted().GetConsent())))
		}
		for _, sheet := range sheets[:min(1, len(sheets))] {
			ShowSheet(p, sheet)
		}
		p.Heading("Next")
		p.Command("Plan a tooth of your own:", "visitwright plan --tooth 36 --diagnosis necrosis --radiograph-count 3")
		p.Command("See where each figure is from:", "visitwright figures")
		p.Command("Serve it to others:", "visitwright serve")
	})
}

// PlanFile opens the case of a case file and plans it.
func PlanFile(s *Session, file []byte) (*vw.Plan, error) {
	asked, err := parseCaseFile(file)
	if err != nil {
		return nil, err
	}
	plan, _, err := s.planCase(asked, 0, false)
	return plan, err
}
