package cli

import (
	"errors"
	"fmt"
	"os"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	client "github.com/visitwright/visitwright/clients/go"
	"github.com/visitwright/visitwright/clients/odds"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// PlanCommand plans one tooth in one go: patient, case, findings, plan, and
// the sheet of the first visit.
type PlanCommand struct {
	File       string   `help:"A case file in JSON, or - for the standard input, in place of the flags." placeholder:"FILE"`
	Tooth      string   `help:"The tooth: 46, LR6 or #30. A bare number is an ISO code, unless the practice shows universal numbers." placeholder:"TOOTH"`
	Protocol   string   `help:"What is to be done (catalogue protocols)." default:"primary-treatment" placeholder:"ID"`
	Reference  string   `help:"The patient's reference. Needed with --server, where the case is kept." placeholder:"TEXT"`
	MostVisits int32    `help:"Most visits an option may spread the treatment over, 1 to 4; 0 lets the planner choose." placeholder:"N"`
	NoSheet    bool     `help:"Leave out the visit sheets."`
	Weight     *float64 `help:"Body weight in kg, for the anaesthetic limit." placeholder:"KG"`
	Alert      []string `help:"An alert that acts, ID or ID=DETAIL (catalogue alerts). Repeat." sep:"none" placeholder:"ID"`
	FindingsFlags
}

// Run plans the tooth.
func (c *PlanCommand) Run(s *Session) error {
	asked, err := c.read(s)
	if err != nil {
		return err
	}
	if asked.Patient.GetReference() == "" {
		if s.Kept {
			return usage("--reference is needed: the case is kept for a patient")
		}
		asked.Patient.Reference = "unnamed"
	}
	if s.Kept && s.Rehearse != nil {
		if err := s.rehearse(asked, c.MostVisits); err != nil {
			return c.inFlags(err)
		}
	}
	plan, sheets, err := s.planCase(asked, c.MostVisits, !c.NoSheet)
	if err != nil {
		return c.inFlags(err)
	}
	return s.Show(plan, func(p *Page) {
		ShowPlan(p, plan)
		for _, sheet := range sheets {
			ShowSheet(p, sheet)
		}
	})
}

// inFlags says by its flag what is missing, to whoever wrote flags.
func (c *PlanCommand) inFlags(err error) error {
	var e *client.Error
	if c.File != "" || c.Diagnosis != "" || !errors.As(err, &e) {
		return err
	}
	for _, f := range e.Fields {
		if f.Field == "findings.diagnosis.pulpal" {
			return usage("--diagnosis is needed for this treatment, for example --diagnosis necrosis; `visitwright catalogue pulpal-diagnoses` lists them")
		}
	}
	return err
}

// rehearse plans the case where nothing is kept.
func (s *Session) rehearse(asked *caseFile, mostVisits int32) (err error) {
	rehearsal, end, err := s.Rehearse()
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, end()) }()
	_, _, err = rehearsal.planCase(&caseFile{
		Patient: proto.CloneOf(asked.Patient), Case: proto.CloneOf(asked.Case), Findings: asked.Findings,
	}, mostVisits, false)
	return err
}

// read gathers the case from the file or from the flags.
func (c *PlanCommand) read(s *Session) (*caseFile, error) {
	if c.File != "" {
		if c.Tooth != "" {
			return nil, usage("give --file or --tooth, not both")
		}
		return readCaseFile(c.File, os.Stdin)
	}
	if c.Tooth == "" {
		return nil, usage("--tooth or --file is needed, for example --tooth 46")
	}
	tooth, err := s.toothOf(c.Tooth)
	if err != nil {
		return nil, err
	}
	findings, err := c.findings()
	if err != nil {
		return nil, err
	}
	patient, err := (&PatientFlags{WeightKg: c.Weight, Alert: c.Alert}).patient()
	if err != nil {
		return nil, err
	}
	patient.Reference = c.Reference
	return &caseFile{Patient: patient, Case: &vw.Case{Tooth: tooth, Protocol: c.Protocol, Diagnosis: findings.GetDiagnosis()}, Findings: findings}, nil
}

// planCase walks the whole way through the service: patient, case, assessment,
// plan, and one sheet for each visit of the recommended option.
func (s *Session) planCase(asked *caseFile, mostVisits int32, sheets bool) (*vw.Plan, []*vw.VisitSheet, error) {
	patient, err := s.planner().CreatePatient(s.Context, &vw.CreatePatientRequest{Parent: s.parent(), Patient: asked.Patient})
	if err != nil {
		return nil, nil, err
	}
	asked.Case.Patient = patient.GetName()
	opened, err := s.planner().CreateCase(s.Context, &vw.CreateCaseRequest{Parent: s.parent(), Case: asked.Case})
	if err != nil {
		return nil, nil, err
	}
	assessment, err := s.planner().Assess(s.Context, &vw.AssessRequest{Parent: opened.GetName(), Findings: asked.Findings})
	if err != nil {
		return nil, nil, err
	}
	plan, err := s.planner().ProposePlan(s.Context, &vw.ProposePlanRequest{
		Parent: opened.GetName(), Assessment: assessment.GetName(), MostVisits: mostVisits, View: vw.PlanView_PLAN_VIEW_FULL})
	if err != nil {
		return nil, nil, err
	}
	if !sheets || plan.GetRecommendedOption() == "" {
		return plan, nil, nil
	}
	pages, err := s.sheets(plan, plan.GetRecommendedOption())
	return plan, pages, err
}

// sheets makes one sheet for each visit of an option.
func (s *Session) sheets(plan *vw.Plan, option string) ([]*vw.VisitSheet, error) {
	var pages []*vw.VisitSheet
	for _, visit := range optionOf(plan, option).GetVisits() {
		sheet, err := s.planner().GetVisitSheet(s.Context, &vw.GetVisitSheetRequest{
			Parts: []*vw.VisitPart{{Plan: plan.GetName(), Option: option, Visit: visit.GetNumber()}}})
		if err != nil {
			return nil, err
		}
		pages = append(pages, sheet)
	}
	return pages, nil
}

// AssessCommand assesses a case.
type AssessCommand struct {
	Case    string `arg:"" help:"Id of the case."`
	Preview bool   `help:"Show the result and keep nothing."`
	FindingsFlags
}

// Run assesses the case and shows what follows.
func (c *AssessCommand) Run(s *Session) error {
	findings, err := c.findings()
	if err != nil {
		return err
	}
	a, err := s.planner().Assess(s.Context, &vw.AssessRequest{Parent: s.name("cases", c.Case), Findings: findings, ValidateOnly: c.Preview})
	if err != nil {
		return nextStep(err, c.Case)
	}
	return s.Show(a, func(p *Page) { showAssessment(p, a, c.Case) })
}

func showAssessment(p *Page, a *vw.Assessment, caseID string) {
	p.Title("Assessment of case %s", shortID(caseID))
	showDifficulty(p, a.GetDifficulty())
	showForecast(p, a.GetCanals())
	p.Gap()
	p.Text(marksShown)
}

// AssessmentsCommand lists assessments.
type AssessmentsCommand struct {
	Case       string `arg:"" help:"Id of the case."`
	Assessment string `arg:"" optional:"" help:"The assessment to show; without it they are listed."`
	PageFlags
}

// Run lists the assessments, the newest first, or shows one.
func (c *AssessmentsCommand) Run(s *Session) error {
	name := s.name("cases", c.Case)
	if c.Assessment != "" {
		a, err := s.planner().GetAssessment(s.Context, &vw.GetAssessmentRequest{Name: name + "/assessments/" + shortID(c.Assessment)})
		if err != nil {
			return err
		}
		return s.Show(a, func(p *Page) { showAssessment(p, a, c.Case) })
	}
	reply, err := s.planner().ListAssessments(s.Context, &vw.ListAssessmentsRequest{Parent: name, PageSize: c.Most, PageToken: c.After})
	if err != nil {
		return err
	}
	return s.Show(reply, func(p *Page) {
		var rows [][]string
		for _, a := range reply.GetAssessments() {
			var signs []string
			for _, e := range a.GetFindings().GetEvidence() {
				text := words(e.GetSign(), "")
				if e.Count != nil {
					text += fmt.Sprintf(" %d", e.GetCount())
				}
				if e.GetAbsent() {
					text += " absent"
				}
				signs = append(signs, text)
			}
			rows = append(rows, []string{shortID(a.GetName()), a.GetCreateTime().AsTime().Format("2006-01-02 15:04"), levelWords(a.GetDifficulty().GetLevel()),
				odds.Words(a.GetCanals().GetFurtherCanal().GetProbability()), strings.Join(signs, ", ")})
		}
		p.list([]string{"assessment", "made (UTC)", "difficulty", "a further canal", "seen"}, rows, "assessments", reply.GetNextPageToken())
	})
}

// ProposeCommand proposes a plan.
type ProposeCommand struct {
	Case       string `arg:"" help:"Id of the case."`
	MostVisits int32  `help:"Most visits an option may spread the treatment over, 1 to 4; 0 lets the planner choose." placeholder:"N"`
	Preview    bool   `help:"Show the plan and keep nothing."`
}

// Run proposes the plan and shows it.
func (c *ProposeCommand) Run(s *Session) error {
	plan, err := s.planner().ProposePlan(s.Context, &vw.ProposePlanRequest{
		Parent: s.name("cases", c.Case), MostVisits: c.MostVisits, View: vw.PlanView_PLAN_VIEW_FULL, ValidateOnly: c.Preview})
	if err != nil {
		return nextStep(err, c.Case)
	}
	return s.Show(plan, func(p *Page) { ShowPlan(p, plan) })
}

// nextStep adds the command that mends what the service missed.
func nextStep(err error, caseID string) error {
	var refused *client.Error
	if !errors.As(err, &refused) {
		return err
	}
	switch refused.Reason {
	case "ASSESSMENT_MISSING":
		return fmt.Errorf("%w\nFirst: visitwright assess %s --diagnosis ID, with what the radiograph shows", err, shortID(caseID))
	case "TOOTH_NOT_IDENTIFIED":
		return fmt.Errorf("%w\nWhen it is known: visitwright case change %s --tooth 46", err, shortID(caseID))
	}
	return err
}

// AcceptCommand accepts an option.
type AcceptCommand struct {
	Case     string `arg:"" help:"Id of the case."`
	Option   string `required:"" help:"Id of the option, as the plan shows it, for example two-visits." placeholder:"ID"`
	Revision int64  `help:"Revision of the plan; without it the newest." placeholder:"N"`
	Consent  string `help:"The consent that was given: written or spoken; without it none is recorded." placeholder:"FORM"`
	Guardian bool   `help:"The guardian consented for the patient."`
	Because  string `help:"Why this option is taken although a rule advises against it; needed where one does." placeholder:"TEXT"`
}

// Run accepts the option.
func (c *AcceptCommand) Run(s *Session) error {
	if c.Guardian && c.Consent == "" {
		return usage("--guardian says who consented: give --consent written or --consent spoken with it")
	}
	name, err := s.plan(c.Case, c.Revision)
	if err != nil {
		return err
	}
	was, err := s.planner().GetPlan(s.Context, &vw.GetPlanRequest{Name: name})
	if err != nil {
		return err
	}
	request := &vw.AcceptOptionRequest{Name: name, Option: c.Option, Etag: was.GetEtag(), OverrideReason: c.Because}
	if c.Consent != "" {
		request.Consent = &vw.Consent{Giver: vw.Consent_GIVER_PATIENT, Form: c.Consent, AgreeTime: timestamppb.New(s.Now())}
		if c.Guardian {
			request.Consent.Giver = vw.Consent_GIVER_GUARDIAN
		}
	}
	plan, err := s.planner().AcceptOption(s.Context, request)
	if err != nil {
		return err
	}
	return s.Show(plan, func(p *Page) {
		p.Text("Accepted for %s: %s, book %s.", toothWords(plan.GetTooth()), titleOf(plan, c.Option), bookings(optionOf(plan, c.Option)))
		p.Text("%s", sentence(consentWords(plan.GetAccepted().GetConsent())))
		if because := plan.GetAccepted().GetOverrideReason(); because != "" {
			p.Text("A rule advises against it. Taken because: %s", because)
		}
	})
}

// RevisionsCommand lists revisions.
type RevisionsCommand struct {
	Case     string `arg:"" help:"Id of the case."`
	Revision int64  `arg:"" optional:"" help:"The revision to show; without it they are listed."`
	PageFlags
}

// Run lists the revisions, the newest first, or shows one.
func (c *RevisionsCommand) Run(s *Session) error {
	if c.Revision != 0 {
		plan, err := s.planner().GetPlan(s.Context, &vw.GetPlanRequest{
			Name: fmt.Sprintf("%s/plans/%d", s.name("cases", c.Case), c.Revision), View: vw.PlanView_PLAN_VIEW_FULL})
		if err != nil {
			return err
		}
		return s.Show(plan, func(p *Page) { ShowPlan(p, plan) })
	}
	reply, err := s.planner().ListPlanRevisions(s.Context, &vw.ListPlanRevisionsRequest{Parent: s.name("cases", c.Case), PageSize: c.Most, PageToken: c.After})
	if err != nil {
		return err
	}
	return s.Show(reply, func(p *Page) {
		var rows [][]string
		for _, plan := range reply.GetPlans() {
			recommended := ""
			if o := optionOf(plan, plan.GetRecommendedOption()); o != nil {
				recommended = o.GetTitle() + ": " + bookings(o)
			} else if plan.GetRecommendedOption() != "" {
				recommended = words(plan.GetRecommendedOption(), "")
			}
			rows = append(rows, []string{fmt.Sprint(plan.GetRevision()), words(plan.GetState().String(), "STATE_"),
				plan.GetCreateTime().AsTime().Format("2006-01-02 15:04"), words(plan.GetCause(), ""), recommended})
		}
		p.list([]string{">revision", "state", "made (UTC)", "because of", "recommended"}, rows, "revisions", reply.GetNextPageToken())
	})
}

// CompareCommand compares two revisions.
type CompareCommand struct {
	Case string `arg:"" help:"Id of the case."`
	From int64  `arg:"" help:"The earlier revision."`
	To   int64  `arg:"" help:"The later revision."`
}

// Run says what differs.
func (c *CompareCommand) Run(s *Session) error {
	if c.From < 1 || c.To < 1 {
		return usage("revisions are counted from 1")
	}
	name := s.name("cases", c.Case)
	d, err := s.planner().ComparePlans(s.Context, &vw.ComparePlansRequest{
		FromPlan: fmt.Sprintf("%s/plans/%d", name, c.From), ToPlan: fmt.Sprintf("%s/plans/%d", name, c.To)})
	if err != nil {
		return err
	}
	return s.Show(d, func(p *Page) { ShowDifference(p, d) })
}

// ShowDifference writes what differs between two revisions.
func ShowDifference(p *Page, d *vw.PlanDifference) {
	p.Title("From revision %s to revision %s", shortID(d.GetFromPlan()), shortID(d.GetToPlan()))
	if len(d.GetChanges()) == 0 {
		p.Text("Nothing differs.")
		return
	}
	for _, change := range d.GetChanges() {
		text := change.GetText()
		if text == "" {
			text = fmt.Sprintf("%s: %s to %s", change.GetPath(), orNothing(change.GetBefore()), orNothing(change.GetAfter()))
		}
		p.Item("%s", text)
		if change.GetBecause() != "" {
			p.Under("because %s", change.GetBecause())
		}
	}
}

func orNothing(text string) string {
	if text == "" {
		return "nothing"
	}
	return text
}

// SheetCommand prints a visit sheet.
type SheetCommand struct {
	Cases    []string `arg:"" name:"case" help:"Ids of the cases treated in the visit: one, or several teeth of one patient."`
	Visit    int32    `help:"Which visit of the option." default:"1" placeholder:"N"`
	Option   string   `help:"Id of the option; without it the accepted one, else the recommended one." placeholder:"ID"`
	Revision int64    `help:"Revision of the plan; without it the newest." placeholder:"N"`
}

// Run prints the sheet.
func (c *SheetCommand) Run(s *Session) error {
	request := &vw.GetVisitSheetRequest{}
	for _, id := range c.Cases {
		name, err := s.plan(id, c.Revision)
		if err != nil {
			return err
		}
		request.Parts = append(request.Parts, &vw.VisitPart{Plan: name, Option: c.Option, Visit: c.Visit})
	}
	sheet, err := s.planner().GetVisitSheet(s.Context, request)
	if err != nil {
		return err
	}
	return s.Show(sheet, func(p *Page) { ShowSheet(p, sheet) })
}
