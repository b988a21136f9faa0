package cli

import (
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// CaseCommand keeps cases.
type CaseCommand struct {
	Open   CaseOpen   `cmd:"" help:"Open a case for a patient."`
	Show   CaseShow   `cmd:"" help:"Show one case."`
	List   CaseList   `cmd:"" help:"List cases."`
	Change CaseChange `cmd:"" help:"Change what is known of a case."`
}

// CaseFlags is what can be known of a case before it is assessed.
type CaseFlags struct {
	Tooth          string `help:"The tooth: 46, LR6, or #30 for universal numbers." placeholder:"TOOTH"`
	Protocol       string `help:"What is to be done, for example primary-treatment (catalogue protocols)." placeholder:"ID"`
	Diagnosis      string `help:"What is wrong with the pulp (catalogue pulpal-diagnoses)." placeholder:"ID"`
	Apical         string `help:"What is wrong at the root end (catalogue apical-diagnoses)." placeholder:"ID"`
	OpenApex       bool   `help:"The root end is open."`
	ReferredBy     string `help:"Who referred the patient; kept encrypted." placeholder:"TEXT"`
	Question       string `help:"What the referral asks; kept encrypted." placeholder:"TEXT"`
	BegunOn        string `help:"Treatment began elsewhere on this day; its clock already runs." placeholder:"YYYY-MM-DD"`
	BegunDressing  string `help:"Dressing placed there (catalogue medicaments)." default:"unknown" placeholder:"ID"`
	BegunTemporary string `help:"Temporary placed there (catalogue temporaries)." default:"unknown" placeholder:"ID"`
	BegunStop      string `help:"State the tooth was left in (catalogue stops)." default:"unknown" placeholder:"ID"`
}

func (f *CaseFlags) message() (*vw.Case, error) {
	c := &vw.Case{Protocol: f.Protocol}
	if f.Tooth != "" {
		tooth, err := toothOf(f.Tooth)
		if err != nil {
			return nil, err
		}
		c.Tooth = tooth
	}
	if f.Diagnosis != "" || f.Apical != "" {
		c.Diagnosis = &vw.Diagnosis{Pulpal: f.Diagnosis, Apical: f.Apical}
	}
	if f.OpenApex {
		c.RootDevelopment = vw.RootDevelopment_ROOT_DEVELOPMENT_OPEN_APEX
	}
	if f.ReferredBy != "" || f.Question != "" {
		c.Referral = &vw.Referral{From: f.ReferredBy, Question: f.Question, ProvisionalFromLetter: true}
	}
	if f.BegunOn != "" {
		day, err := parseDate("--begun-on", f.BegunOn)
		if err != nil {
			return nil, err
		}
		c.TreatmentBegun = &vw.TreatmentBegun{VisitDate: day, Dressing: f.BegunDressing, Temporary: f.BegunTemporary, Stop: f.BegunStop}
	}
	return c, nil
}

func parseDate(flag, text string) (*date.Date, error) {
	day, err := time.Parse(time.DateOnly, text)
	if err != nil {
		return nil, usage("%s %q: want a day as YYYY-MM-DD, for example 2027-03-01", flag, text)
	}
	return &date.Date{Year: int32(day.Year()), Month: int32(day.Month()), Day: int32(day.Day())}, nil
}

// CaseOpen opens a case.
type CaseOpen struct {
	Patient string `required:"" help:"The patient's id or reference." placeholder:"ID"`
	CaseFlags
}

// Run opens the case and shows it.
func (c *CaseOpen) Run(s *Session) error {
	message, err := c.message()
	if err != nil {
		return err
	}
	patient, err := s.findPatient(c.Patient)
	if err != nil {
		return err
	}
	message.Patient = patient.GetName()
	made, err := s.planner().CreateCase(s.Context, &vw.CreateCaseRequest{Parent: s.parent(), Case: message})
	if err != nil {
		return err
	}
	return s.Show(made, func(p *Page) { ShowCase(p, made) })
}

// CaseShow shows one case.
type CaseShow struct {
	Case string `arg:"" help:"Id of the case."`
}

// Run shows the case.
func (c *CaseShow) Run(s *Session) error {
	found, err := s.planner().GetCase(s.Context, &vw.GetCaseRequest{Name: s.name("cases", c.Case)})
	if err != nil {
		return err
	}
	return s.Show(found, func(p *Page) { ShowCase(p, found) })
}

// CaseList lists cases.
type CaseList struct {
	Patient string `help:"Only this patient's: id or reference." placeholder:"ID"`
	Open    bool   `help:"Only cases that are not closed."`
	PageFlags
}

// Run lists the cases.
func (c *CaseList) Run(s *Session) error {
	request := &vw.ListCasesRequest{Parent: s.parent(), PageSize: c.Most, PageToken: c.After, Filter: &vw.CaseFilter{OpenOnly: c.Open}}
	if c.Patient != "" {
		patient, err := s.findPatient(c.Patient)
		if err != nil {
			return err
		}
		request.Filter.Patient = patient.GetName()
	}
	reply, err := s.planner().ListCases(s.Context, request)
	if err != nil {
		return err
	}
	return s.Show(reply, func(p *Page) {
		var rows [][]string
		for _, found := range reply.GetCases() {
			rows = append(rows, []string{shortID(found.GetName()), toothWords(found.GetTooth()), words(found.GetState().String(), "STATE_"), words(found.GetDiagnosis().GetPulpal(), "")})
		}
		p.list([]string{"case", "tooth", "state", "diagnosis"}, rows, "cases", reply.GetNextPageToken())
	})
}

// CaseChange changes what is known of a case.
type CaseChange struct {
	Case string `arg:"" help:"Id of the case."`
	CaseFlags
}

// Run changes what was given and leaves the rest.
func (c *CaseChange) Run(s *Session) error {
	message, err := c.message()
	if err != nil {
		return err
	}
	was, err := s.planner().GetCase(s.Context, &vw.GetCaseRequest{Name: s.name("cases", c.Case)})
	if err != nil {
		return err
	}
	message.Name, message.Etag, message.Patient = was.GetName(), was.GetEtag(), was.GetPatient()
	mask := &fieldmaskpb.FieldMask{}
	for path, given := range map[string]bool{
		"tooth": message.Tooth != nil, "protocol": message.Protocol != "", "diagnosis": message.Diagnosis != nil,
		"root_development": c.OpenApex, "referral": message.Referral != nil, "treatment_begun": message.TreatmentBegun != nil,
	} {
		if given {
			mask.Paths = append(mask.Paths, path)
		}
	}
	if len(mask.Paths) == 0 {
		return usage("nothing to change was given")
	}
	now, err := s.planner().UpdateCase(s.Context, &vw.UpdateCaseRequest{Case: message, UpdateMask: mask})
	if err != nil {
		return err
	}
	return s.Show(now, func(p *Page) { ShowCase(p, now) })
}

// ShowCase writes what is known of a case.
func ShowCase(p *Page, c *vw.Case) {
	p.Title("Case %s: %s", shortID(c.GetName()), toothWords(c.GetTooth()))
	state := words(c.GetState().String(), "STATE_")
	if c.GetClosingReason() != "" {
		state += ": " + words(c.GetClosingReason(), "")
	}
	p.Field("state", "%s", state)
	p.Field("patient", "%s", shortID(c.GetPatient()))
	if c.GetProtocol() != "" {
		p.Field("to do", "%s", words(c.GetProtocol(), ""))
	}
	if d := c.GetDiagnosis(); d != nil {
		text := words(d.GetPulpal(), "")
		if d.GetApical() != "" {
			text += "; " + words(d.GetApical(), "")
		}
		if d.GetProvisional() || c.GetProvisional() {
			text += " (provisional, from the letter)"
		}
		p.Field("diagnosis", "%s", text)
	}
	if r := c.GetReferral(); r != nil {
		p.Field("referral", "%s", sentence(r.GetFrom()+": "+r.GetQuestion()))
	}
	if b := c.GetTreatmentBegun(); b != nil {
		p.Field("begun elsewhere", "%s; dressing %s, temporary %s, left %s", sayDate(b.GetVisitDate()),
			words(b.GetDressing(), ""), words(b.GetTemporary(), ""), words(b.GetStop(), ""))
	}
	if plan := c.GetLatestPlan(); plan != "" {
		p.Field("newest plan", "revision %s", shortID(plan))
	}
}

// StopCommand closes a case.
type StopCommand struct {
	Case   string `arg:"" help:"Id of the case."`
	Reason string `required:"" help:"Why, for example healed-discharged, extracted, declined (catalogue closing-reasons)." placeholder:"ID"`
	Note   string `help:"What else should be known; kept encrypted." placeholder:"TEXT"`
	On     string `help:"Day on which it ended; without it today." placeholder:"YYYY-MM-DD"`
}

// Run closes the case.
func (c *StopCommand) Run(s *Session) error {
	request := &vw.StopCaseRequest{Name: s.name("cases", c.Case), ClosingReason: c.Reason, Note: c.Note}
	if c.On != "" {
		day, err := parseDate("--on", c.On)
		if err != nil {
			return err
		}
		request.EndDate = day
	}
	was, err := s.planner().GetCase(s.Context, &vw.GetCaseRequest{Name: request.Name})
	if err != nil {
		return err
	}
	request.Etag = was.GetEtag()
	reply, err := s.planner().StopCase(s.Context, request)
	if err != nil {
		return err
	}
	return s.Show(reply, func(p *Page) {
		ShowCase(p, reply.GetCase())
		if n := len(reply.GetCancelledAppointments()); n > 0 {
			p.Field("cancelled", "%s", plural(n, "appointment", "appointments"))
		}
	})
}
