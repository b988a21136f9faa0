package cli

import (
	"fmt"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// PatientCommand keeps patients.
type PatientCommand struct {
	Add    PatientAdd    `cmd:"" help:"Add a patient by the practice's own reference."`
	Show   PatientShow   `cmd:"" help:"Show one patient."`
	List   PatientList   `cmd:"" help:"List patients."`
	Change PatientChange `cmd:"" help:"Change what is kept of a patient."`
}

// PatientFlags is what can be kept of a patient.
type PatientFlags struct {
	WeightKg *float64 `name:"weight" help:"Body weight in kg, for the anaesthetic limit." placeholder:"KG"`
	Alert    []string `help:"An alert that acts on plans and sheets, ID or ID=DETAIL, with @YYYY-MM-DD when it has a last day, for example latex or antibiotic-course=clindamycin@2027-03-01 (catalogues alerts and alert-details). Repeat." sep:"none" placeholder:"ID"`
	Label    *string  `help:"How people in the practice call the patient; kept encrypted." placeholder:"TEXT"`
	Phone    *string  `help:"Telephone; kept encrypted." placeholder:"TEXT"`
	Address  *string  `help:"Address to whose use the patient consented; kept encrypted." placeholder:"TEXT"`

	BirthYear        *int32   `help:"Year of birth; kept encrypted." placeholder:"YYYY"`
	Guardian         *string  `help:"How people in the practice call the guardian who is the contact; kept encrypted." placeholder:"TEXT"`
	GuardianRelation *string  `help:"What the guardian is to the patient, for example parent; kept encrypted." placeholder:"TEXT"`
	GuardianPhone    *string  `help:"The guardian's telephone; kept encrypted." placeholder:"TEXT"`
	GuardianAddress  *string  `help:"The guardian's address to whose use the guardian consented; kept encrypted." placeholder:"TEXT"`
	External         []string `help:"The name in another system, SYSTEM=VALUE. Repeat." sep:"none" placeholder:"SYSTEM=VALUE"`
}

func (f *PatientFlags) patient() (*vw.Patient, error) {
	p := &vw.Patient{WeightKg: f.WeightKg, Label: f.Label, Phone: f.Phone, Address: f.Address, BirthYear: f.BirthYear}
	if f.hasGuardian() {
		p.Guardian = &vw.Guardian{Label: f.Guardian, Relation: f.GuardianRelation, Phone: f.GuardianPhone, Address: f.GuardianAddress}
	}
	for _, text := range f.Alert {
		alert, err := parseAlert(text)
		if err != nil {
			return nil, err
		}
		p.Alerts = append(p.Alerts, alert)
	}
	var err error
	p.ExternalIdentifiers, err = externals(f.External)
	return p, err
}

func (f *PatientFlags) hasGuardian() bool {
	return f.Guardian != nil || f.GuardianRelation != nil || f.GuardianPhone != nil || f.GuardianAddress != nil
}

// parseAlert reads "latex", "paste-antibiotic=minocycline" or
// "antibiotic-course=clindamycin@2027-03-01".
func parseAlert(text string) (*vw.Alert, error) {
	what, until, ends := strings.Cut(text, "@")
	kind, detail, _ := strings.Cut(what, "=")
	alert := &vw.Alert{Kind: kind, Detail: detail}
	if ends {
		day, err := parseDate("--alert", until)
		if err != nil {
			return nil, err
		}
		alert.LastDate = day
	}
	return alert, nil
}

// externals reads names in other systems.
func externals(texts []string) ([]*vw.ExternalIdentifier, error) {
	var list []*vw.ExternalIdentifier
	for _, text := range texts {
		system, value, found := strings.Cut(text, "=")
		if !found || system == "" || value == "" {
			return nil, usage("--external: want SYSTEM=VALUE, for example records=4711")
		}
		list = append(list, &vw.ExternalIdentifier{System: system, Value: value})
	}
	return list, nil
}

// external reads one name in another system; nil for none.
func external(text string) (*vw.ExternalIdentifier, error) {
	if text == "" {
		return nil, nil
	}
	list, err := externals([]string{text})
	if err != nil {
		return nil, err
	}
	return list[0], nil
}

// showExternals writes the names in other systems.
func showExternals(p *Page, list []*vw.ExternalIdentifier) {
	for _, x := range list {
		p.Field("in "+x.GetSystem(), "%s", x.GetValue())
	}
}

// PatientAdd adds a patient.
type PatientAdd struct {
	Reference string `arg:"" help:"The practice's own reference; must not say who the person is."`
	PatientFlags
}

// Run adds the patient and shows it.
func (c *PatientAdd) Run(s *Session) error {
	p, err := c.patient()
	if err != nil {
		return err
	}
	p.Reference = c.Reference
	made, err := s.planner().CreatePatient(s.Context, &vw.CreatePatientRequest{Parent: s.parent(), Patient: p})
	if err != nil {
		return err
	}
	return s.Show(made, func(page *Page) { ShowPatient(page, made) })
}

// PatientShow shows one patient.
type PatientShow struct {
	Patient string `arg:"" help:"Id, or the practice's reference."`
}

// Run shows the patient.
func (c *PatientShow) Run(s *Session) error {
	p, err := s.findPatient(c.Patient)
	if err != nil {
		return err
	}
	return s.Show(p, func(page *Page) { ShowPatient(page, p) })
}

// findPatient looks for a reference first, then for an id.
func (s *Session) findPatient(text string) (*vw.Patient, error) {
	if !strings.HasPrefix(text, "practices/") {
		page, err := s.planner().ListPatients(s.Context, &vw.ListPatientsRequest{
			Parent: s.parent(), PageSize: 2, Filter: &vw.PatientFilter{Reference: text}})
		if err != nil {
			return nil, err
		}
		for _, p := range page.GetPatients() {
			if p.GetReference() == text {
				return p, nil
			}
		}
	}
	return s.planner().GetPatient(s.Context, &vw.GetPatientRequest{Name: s.name("patients", text)})
}

// PatientList lists patients.
type PatientList struct {
	Reference string `help:"Only references that begin so." placeholder:"TEXT"`
	External  string `help:"Only the one with this name in another system." placeholder:"SYSTEM=VALUE"`
	PageFlags
}

// Run lists the patients.
func (c *PatientList) Run(s *Session) error {
	request := &vw.ListPatientsRequest{Parent: s.parent(), PageSize: c.Most, PageToken: c.After}
	name, err := external(c.External)
	if err != nil {
		return err
	}
	if c.Reference != "" || name != nil {
		request.Filter = &vw.PatientFilter{Reference: c.Reference, ExternalIdentifier: name}
	}
	reply, err := s.planner().ListPatients(s.Context, request)
	if err != nil {
		return err
	}
	return s.Show(reply, func(page *Page) {
		var rows [][]string
		for _, p := range reply.GetPatients() {
			rows = append(rows, []string{p.GetReference(), shortID(p.GetName()), p.GetLabel(), alertList(p.GetAlerts())})
		}
		page.list([]string{"reference", "id", "label", "alerts"}, rows, "patients", reply.GetNextPageToken())
	})
}

// PatientChange changes a patient.
type PatientChange struct {
	Patient   string  `arg:"" help:"Id, or the practice's reference."`
	Reference *string `help:"A new reference." placeholder:"TEXT"`
	PatientFlags
	NoAlerts   bool `help:"Take all alerts away."`
	NoGuardian bool `help:"Take the guardian away."`
}

// Run changes what was given and leaves the rest.
func (c *PatientChange) Run(s *Session) error {
	was, err := s.findPatient(c.Patient)
	if err != nil {
		return err
	}
	p, err := c.patient()
	if err != nil {
		return err
	}
	if c.hasGuardian() {
		// What is not said of the guardian stays.
		kept := &vw.Guardian{}
		if was.GetGuardian() != nil {
			kept = proto.CloneOf(was.GetGuardian())
		}
		proto.Merge(kept, p.Guardian)
		p.Guardian = kept
	}
	p.Name, p.Etag = was.GetName(), was.GetEtag()
	mask := &fieldmaskpb.FieldMask{}
	set := func(given bool, path string) {
		if given {
			mask.Paths = append(mask.Paths, path)
		}
	}
	if c.Reference != nil {
		p.Reference = *c.Reference
	}
	set(c.Reference != nil, "reference")
	set(c.WeightKg != nil, "weight_kg")
	set(c.Label != nil, "label")
	set(c.Phone != nil, "phone")
	set(c.Address != nil, "address")
	set(c.BirthYear != nil, "birth_year")
	set(c.hasGuardian() || c.NoGuardian, "guardian")
	set(len(c.External) > 0, "external_identifiers")
	set(len(c.Alert) > 0 || c.NoAlerts, "alerts")
	if len(mask.Paths) == 0 {
		return usage("nothing to change was given")
	}
	now, err := s.planner().UpdatePatient(s.Context, &vw.UpdatePatientRequest{Patient: p, UpdateMask: mask})
	if err != nil {
		return err
	}
	return s.Show(now, func(page *Page) { ShowPatient(page, now) })
}

// ShowPatient writes what is kept of a patient.
func ShowPatient(p *Page, patient *vw.Patient) {
	p.Title("Patient %s", patient.GetReference())
	p.Field("id", "%s", shortID(patient.GetName()))
	if patient.GetLabel() != "" {
		p.Field("label", "%s", patient.GetLabel())
	}
	if patient.GetPhone() != "" {
		p.Field("phone", "%s", patient.GetPhone())
	}
	if patient.GetAddress() != "" {
		p.Field("address", "%s", patient.GetAddress())
	}
	if g := patient.GetGuardian(); g != nil {
		p.Field("guardian", "%s", strings.Join(nonEmpty(g.GetLabel(), g.GetRelation(), g.GetPhone(), g.GetAddress()), ", "))
	}
	if patient.BirthYear != nil {
		p.Field("born in", "%d", patient.GetBirthYear())
	}
	if patient.WeightKg != nil {
		p.Field("weight", "%g kg", patient.GetWeightKg())
	} else {
		p.Field("weight", "not known: no anaesthetic limit is given without it")
	}
	p.Field("alerts", "%s", alertList(patient.GetAlerts()))
	showExternals(p, patient.GetExternalIdentifiers())
}

func alertList(alerts []*vw.Alert) string {
	if len(alerts) == 0 {
		return "none on record"
	}
	var list []string
	for _, a := range alerts {
		text := words(a.GetKind(), "")
		if a.GetDetail() != "" {
			text += " (" + words(a.GetDetail(), "") + ")"
		}
		if d := sayDate(a.GetLastDate()); d != "" {
			text += fmt.Sprintf(" until %s", d)
		}
		list = append(list, text)
	}
	return strings.Join(list, ", ")
}

func nonEmpty(texts ...string) []string {
	var list []string
	for _, t := range texts {
		if t != "" {
			list = append(list, t)
		}
	}
	return list
}

// PageFlags chooses a page of a list.
type PageFlags struct {
	Most  int32  `help:"Most entries to show." default:"50" placeholder:"N"`
	After string `help:"Go on after a page; the page before says with what." placeholder:"TOKEN"`
}

// list writes a page of a list and how to go on.
func (p *Page) list(head []string, rows [][]string, what, next string) {
	if len(rows) == 0 {
		p.Text("No %s.", what)
		return
	}
	p.Table(head, rows)
	if next != "" {
		p.Text("There are more: --after %s", next)
	}
}
