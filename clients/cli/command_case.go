package cli

import (
	"strings"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/proto"
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
	Tooth     string   `help:"The tooth: 46, LR6 or #30. A bare number is an ISO code, unless the practice shows universal numbers." placeholder:"TOOTH"`
	Protocol  string   `help:"What is to be done, for example primary-treatment (catalogue protocols)." placeholder:"ID"`
	Diagnosis string   `help:"What is wrong with the pulp, for example necrosis (catalogue pulpal-diagnoses)." placeholder:"ID"`
	Apical    string   `help:"What is wrong at the root end (catalogue apical-diagnoses)." placeholder:"ID"`
	Root      string   `help:"Whether the root is complete: mature, open-apex or unknown." enum:",mature,open-apex,unknown" default:"" placeholder:"STATE"`
	Clinician string   `help:"Who treats: id of the clinician (clinician list)." placeholder:"ID"`
	External  []string `help:"The name in another system, SYSTEM=VALUE. Repeat." sep:"none" placeholder:"SYSTEM=VALUE"`

	ReferredBy string `help:"Who referred the patient; kept encrypted." placeholder:"TEXT"`
	Question   string `help:"What the referral asks; kept encrypted." placeholder:"TEXT"`
	Urgency    string `help:"How urgent the referral is: routine, soon or emergency." enum:",routine,soon,emergency" default:"" placeholder:"NAME"`
	Restores   string `help:"Who restores the tooth: here or referrer." enum:",here,referrer" default:"" placeholder:"WHO"`
	Reviews    string `help:"Who reviews the healing: here or referrer." enum:",here,referrer" default:"" placeholder:"WHO"`
	Received   string `help:"Day on which the letter came." placeholder:"YYYY-MM-DD"`
	FromLetter *bool  `negatable:"" help:"What is given here, the diagnosis too, stands in the letter alone and is provisional until the consultation."`

	BegunOn        string `help:"Treatment began elsewhere on this day; its clock already runs. Leave it out when the day is not known." placeholder:"YYYY-MM-DD"`
	BegunDressing  string `help:"Dressing placed there, or unknown (catalogue medicaments)." placeholder:"ID"`
	BegunTemporary string `help:"Temporary placed there, or unknown (catalogue temporaries)." placeholder:"ID"`
	BegunStop      string `help:"State the tooth was left in, or unknown (catalogue stops)." placeholder:"ID"`
}

// message lays what was given over what is known already.
func (f *CaseFlags) message(s *Session, was *vw.Case) (*vw.Case, *fieldmaskpb.FieldMask, error) {
	c, mask := &vw.Case{}, &fieldmaskpb.FieldMask{}
	given := func(path string) { mask.Paths = append(mask.Paths, path) }
	if f.Tooth != "" {
		tooth, err := s.toothOf(f.Tooth)
		if err != nil {
			return nil, nil, err
		}
		c.Tooth = tooth
		given("tooth")
	}
	if f.Protocol != "" {
		c.Protocol = f.Protocol
		given("protocol")
	}
	if f.Diagnosis != "" || f.Apical != "" {
		c.Diagnosis = &vw.Diagnosis{Pulpal: orElse(f.Diagnosis, was.GetDiagnosis().GetPulpal()), Apical: orElse(f.Apical, was.GetDiagnosis().GetApical()),
			Provisional: f.FromLetter != nil && *f.FromLetter}
		given("diagnosis")
	}
	if f.Root != "" {
		c.RootDevelopment = vw.RootDevelopment(vw.RootDevelopment_value["ROOT_DEVELOPMENT_"+enumName(f.Root)])
		given("root_development")
	}
	if f.Clinician != "" {
		c.Clinician = s.name("clinicians", f.Clinician)
		given("clinician")
	}
	if len(f.External) > 0 {
		list, err := externals(f.External)
		if err != nil {
			return nil, nil, err
		}
		c.ExternalIdentifiers = list
		given("external_identifiers")
	}
	referral, err := f.referral(was.GetReferral())
	if err != nil {
		return nil, nil, err
	}
	if referral != nil {
		c.Referral = referral
		given("referral")
	}
	begun, err := f.begun(was.GetTreatmentBegun())
	if err != nil {
		return nil, nil, err
	}
	if begun != nil {
		c.TreatmentBegun = begun
		given("treatment_begun")
	}
	return c, mask, nil
}

// parties are who may restore and review, as people type it.
var parties = map[string]vw.Party{"here": vw.Party_PARTY_THIS_PRACTICE, "referrer": vw.Party_PARTY_REFERRER}

// referral is nil when nothing of it was given.
func (f *CaseFlags) referral(was *vw.Referral) (*vw.Referral, error) {
	if f.ReferredBy+f.Question+f.Urgency+f.Restores+f.Reviews+f.Received == "" && f.FromLetter == nil {
		return nil, nil
	}
	r := &vw.Referral{}
	if was != nil {
		r = proto.CloneOf(was)
	}
	r.From, r.Question = orElse(f.ReferredBy, r.GetFrom()), orElse(f.Question, r.GetQuestion())
	if f.Urgency != "" {
		r.Urgency = vw.Referral_Urgency(vw.Referral_Urgency_value["URGENCY_"+enumName(f.Urgency)])
	}
	if f.Restores != "" {
		r.Restores = parties[f.Restores]
	}
	if f.Reviews != "" {
		r.Reviews = parties[f.Reviews]
	}
	if f.FromLetter != nil {
		r.ProvisionalFromLetter = *f.FromLetter
	}
	if f.Received != "" {
		day, err := parseDate("--received", f.Received)
		if err != nil {
			return nil, err
		}
		r.ReceiveDate = day
	}
	return r, nil
}

// begun is nil when nothing of it was given.
func (f *CaseFlags) begun(was *vw.TreatmentBegun) (*vw.TreatmentBegun, error) {
	if f.BegunOn+f.BegunDressing+f.BegunTemporary+f.BegunStop == "" {
		return nil, nil
	}
	const unknown = "unknown"
	b := &vw.TreatmentBegun{Dressing: unknown, Temporary: unknown, Stop: unknown}
	if was != nil {
		b = proto.CloneOf(was)
	}
	if f.BegunOn != "" {
		day, err := parseDate("--begun-on", f.BegunOn)
		if err != nil {
			return nil, err
		}
		b.VisitDate = day
	}
	b.Dressing, b.Temporary, b.Stop = orElse(f.BegunDressing, b.GetDressing()), orElse(f.BegunTemporary, b.GetTemporary()), orElse(f.BegunStop, b.GetStop())
	return b, nil
}

// enumName writes an id as the contract's enums do.
func enumName(id string) string { return strings.ToUpper(strings.ReplaceAll(id, "-", "_")) }

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
	message, _, err := c.message(s, nil)
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
	return s.Show(made, func(p *Page) { ShowCase(p, made, patient.GetReference()) })
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
	reference := s.referenceOf(found)
	return s.Show(found, func(p *Page) { ShowCase(p, found, reference) })
}

// CaseList lists cases.
type CaseList struct {
	Patient string `help:"Only this patient's: id or reference." placeholder:"ID"`
	Open    bool   `help:"Only cases that are not closed."`

	External string `help:"Only the one with this name in another system." placeholder:"SYSTEM=VALUE"`
	PageFlags
}

// Run lists the cases.
func (c *CaseList) Run(s *Session) error {
	name, err := external(c.External)
	if err != nil {
		return err
	}
	request := &vw.ListCasesRequest{Parent: s.parent(), PageSize: c.Most, PageToken: c.After, Filter: &vw.CaseFilter{OpenOnly: c.Open, ExternalIdentifier: name}}
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
	// What is wrong with the flags is said before anything is asked.
	if _, mask, err := c.message(s, nil); err != nil {
		return err
	} else if len(mask.Paths) == 0 {
		return usage("nothing to change was given")
	}
	was, err := s.planner().GetCase(s.Context, &vw.GetCaseRequest{Name: s.name("cases", c.Case)})
	if err != nil {
		return err
	}
	message, mask, err := c.message(s, was)
	if err != nil {
		return err
	}
	message.Name, message.Etag, message.Patient = was.GetName(), was.GetEtag(), was.GetPatient()
	now, err := s.planner().UpdateCase(s.Context, &vw.UpdateCaseRequest{Case: message, UpdateMask: mask})
	if err != nil {
		return err
	}
	reference := s.referenceOf(now)
	return s.Show(now, func(p *Page) { ShowCase(p, now, reference) })
}

// referenceOf is the practice's reference of a case's patient, or its id for a
// caller who may not read patients.
func (s *Session) referenceOf(c *vw.Case) string {
	patient, err := s.planner().GetPatient(s.Context, &vw.GetPatientRequest{Name: c.GetPatient()})
	if err != nil {
		return shortID(c.GetPatient())
	}
	return patient.GetReference()
}

// ShowCase writes what is known of a case; patient is the practice's reference.
func ShowCase(p *Page, c *vw.Case, patient string) {
	p.Title("Case %s: %s", shortID(c.GetName()), toothWords(c.GetTooth()))
	state := words(c.GetState().String(), "STATE_")
	if c.GetClosingReason() != "" {
		state += ": " + words(c.GetClosingReason(), "")
	}
	p.Field("state", "%s", state)
	p.Field("patient", "%s", patient)
	if c.GetProtocol() != "" {
		p.Field("to do", "%s", words(c.GetProtocol(), ""))
	}
	if d := c.GetDiagnosis(); d != nil {
		text := words(d.GetPulpal(), "")
		if d.GetApical() != "" {
			text += "; " + words(d.GetApical(), "")
		}
		if d.GetProvisional() {
			text += " (provisional, from the letter)"
		}
		p.Field("diagnosis", "%s", text)
	}
	if r := c.GetReferral(); r != nil {
		showReferral(p, r)
		if c.GetProvisional() {
			p.Field("", "what the letter says is provisional until the consultation")
		}
	}
	if root := c.GetRootDevelopment(); root != vw.RootDevelopment_ROOT_DEVELOPMENT_UNSPECIFIED {
		p.Field("root", "%s", words(root.String(), "ROOT_DEVELOPMENT_"))
	}
	if c.GetClinician() != "" {
		p.Field("treated by", "%s", shortID(c.GetClinician()))
	}
	if b := c.GetTreatmentBegun(); b != nil {
		p.Field("begun elsewhere", "%s; dressing %s, temporary %s, left %s", orElse(sayDate(b.GetVisitDate()), "day not known"),
			words(b.GetDressing(), ""), words(b.GetTemporary(), ""), words(b.GetStop(), ""))
	}
	if plan := c.GetLatestPlan(); plan != "" {
		p.Field("newest plan", "revision %s", shortID(plan))
	}
	showExternals(p, c.GetExternalIdentifiers())
}

// showReferral writes who asks what, and who does what afterwards.
func showReferral(p *Page, r *vw.Referral) {
	letter := strings.Join(nonEmpty(r.GetFrom(), r.GetQuestion()), ": ")
	p.Field("referral", "%s", orElse(sentence(letter), "sender and question not recorded"))
	var terms []string
	if r.GetUrgency() != vw.Referral_URGENCY_UNSPECIFIED {
		terms = append(terms, "urgency: "+words(r.GetUrgency().String(), "URGENCY_"))
	}
	if r.GetRestores() != vw.Party_PARTY_UNSPECIFIED {
		terms = append(terms, words(r.GetRestores().String(), "PARTY_")+" restores")
	}
	if r.GetReviews() != vw.Party_PARTY_UNSPECIFIED {
		terms = append(terms, words(r.GetReviews().String(), "PARTY_")+" reviews")
	}
	if day := sayDate(r.GetReceiveDate()); day != "" {
		terms = append(terms, "letter of "+day)
	}
	if len(terms) > 0 {
		p.Field("", "%s", strings.Join(terms, "; "))
	}
}

// StopCommand closes a case.
type StopCommand struct {
	Case   string `arg:"" help:"Id of the case."`
	Reason string `required:"" help:"Why, for example healed-discharged, extracted, declined (catalogue closing-reasons)." placeholder:"ID"`
	Note   string `help:"What else should be known; kept encrypted." placeholder:"TEXT"`
	On     string `help:"Day on which it ended; without it today." placeholder:"YYYY-MM-DD"`

	Preview bool `help:"Say what would end with the case and close nothing."`
}

// Run closes the case.
func (c *StopCommand) Run(s *Session) error {
	request := &vw.StopCaseRequest{Name: s.name("cases", c.Case), ClosingReason: c.Reason, Note: c.Note, ValidateOnly: c.Preview}
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
	reference := s.referenceOf(reply.GetCase())
	var ending []*vw.Appointment
	for _, name := range reply.GetCancelledAppointments() {
		a, err := s.Client.Diary.GetAppointment(s.Context, &vw.GetAppointmentRequest{Name: name})
		if err != nil {
			return err
		}
		ending = append(ending, a)
	}
	return s.Show(reply, func(p *Page) {
		ShowCase(p, reply.GetCase(), reference)
		what := "cancelled"
		if c.Preview {
			what = "would be cancelled"
		}
		n := len(reply.GetCancelledAppointments())
		if n > 0 || c.Preview {
			p.Field(what, "%s", plural(n, "appointment", "appointments"))
		}
		for _, a := range ending {
			p.Item("%s", strings.Join(nonEmpty(when(a.GetPlace()), whatFor(a)), ": "))
		}
		if c.Preview {
			p.Text("Nothing was closed. Messages that wait for the patient and follow-ups of this case would end with it.")
		}
	})
}
