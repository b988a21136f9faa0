package cli

import (
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/types/known/fieldmaskpb"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// ClinicianCommand keeps clinicians.
type ClinicianCommand struct {
	Add    ClinicianAdd    `cmd:"" help:"Add a clinician."`
	List   ClinicianList   `cmd:"" default:"1" help:"List clinicians."`
	Change ClinicianChange `cmd:"" help:"Change a clinician."`
}

// ClinicianAdd adds a clinician.
type ClinicianAdd struct {
	Title    string   `arg:"" help:"How people in the practice call the clinician."`
	Protocol []string `help:"A protocol that this clinician does (catalogue protocols); without it all. Repeat." sep:"none" placeholder:"ID"`
	External []string `help:"The name in another system, SYSTEM=VALUE. Repeat." sep:"none" placeholder:"SYSTEM=VALUE"`
}

// Run adds the clinician.
func (c *ClinicianAdd) Run(s *Session) error {
	names, err := externals(c.External)
	if err != nil {
		return err
	}
	made, err := s.planner().CreateClinician(s.Context, &vw.CreateClinicianRequest{
		Parent: s.parent(), Clinician: &vw.Clinician{Title: c.Title, Protocols: c.Protocol, ExternalIdentifiers: names, Active: true}})
	if err != nil {
		return err
	}
	return s.Show(made, func(p *Page) { showClinicians(p, []*vw.Clinician{made}, "") })
}

// ClinicianList lists clinicians.
type ClinicianList struct{ PageFlags }

// Run lists the clinicians.
func (c *ClinicianList) Run(s *Session) error {
	reply, err := s.planner().ListClinicians(s.Context, &vw.ListCliniciansRequest{Parent: s.parent(), PageSize: c.Most, PageToken: c.After})
	if err != nil {
		return err
	}
	return s.Show(reply, func(p *Page) { showClinicians(p, reply.GetClinicians(), reply.GetNextPageToken()) })
}

// ClinicianChange changes a clinician.
type ClinicianChange struct {
	Clinician        string   `arg:"" help:"Id of the clinician."`
	Title            string   `help:"How people in the practice call the clinician." placeholder:"TEXT"`
	Protocol         []string `help:"A protocol that this clinician does (catalogue protocols); replaces the list. Repeat." sep:"none" placeholder:"ID"`
	AllProtocols     bool     `help:"This clinician does all protocols."`
	External         []string `help:"The name in another system, SYSTEM=VALUE; replaces the list. Repeat." sep:"none" placeholder:"SYSTEM=VALUE"`
	ConsiderReferral *bool    `negatable:"" help:"Show \"consider referral\" to this clinician."`
	ReferFrom        string   `help:"Difficulty from which \"consider referral\" shows: moderate or high." enum:",moderate,high" default:"" placeholder:"LEVEL"`
	PartlyStops      *bool    `negatable:"" help:"This clinician may stop with a canal partly treated when time runs out."`
	Active           *bool    `negatable:"" help:"Whether the clinician still works here."`
}

// Run changes what was given.
func (c *ClinicianChange) Run(s *Session) error {
	if c.AllProtocols && len(c.Protocol) > 0 {
		return usage("give --protocol or --all-protocols, not both")
	}
	was, err := s.planner().GetClinician(s.Context, &vw.GetClinicianRequest{Name: s.name("clinicians", c.Clinician)})
	if err != nil {
		return err
	}
	mask := &fieldmaskpb.FieldMask{}
	if c.Title != "" {
		was.Title = c.Title
		mask.Paths = append(mask.Paths, "title")
	}
	if c.AllProtocols || len(c.Protocol) > 0 {
		was.Protocols = c.Protocol
		mask.Paths = append(mask.Paths, "protocols")
	}
	if len(c.External) > 0 {
		if was.ExternalIdentifiers, err = externals(c.External); err != nil {
			return err
		}
		mask.Paths = append(mask.Paths, "external_identifiers")
	}
	if c.ConsiderReferral != nil {
		was.ShowConsiderReferral = *c.ConsiderReferral
		mask.Paths = append(mask.Paths, "show_consider_referral")
	}
	if c.ReferFrom != "" {
		was.ConsiderReferralFrom = vw.Difficulty_Level(vw.Difficulty_Level_value["LEVEL_"+strings.ToUpper(c.ReferFrom)])
		mask.Paths = append(mask.Paths, "consider_referral_from")
	}
	if c.PartlyStops != nil {
		was.AcceptsPartlyStops = *c.PartlyStops
		mask.Paths = append(mask.Paths, "accepts_partly_stops")
	}
	if c.Active != nil {
		was.Active = *c.Active
		mask.Paths = append(mask.Paths, "active")
	}
	if len(mask.Paths) == 0 {
		return usage("nothing to change was given")
	}
	now, err := s.planner().UpdateClinician(s.Context, &vw.UpdateClinicianRequest{Clinician: was, UpdateMask: mask})
	if err != nil {
		return err
	}
	return s.Show(now, func(p *Page) { showClinicians(p, []*vw.Clinician{now}, "") })
}

func showClinicians(p *Page, list []*vw.Clinician, next string) {
	var rows [][]string
	for _, c := range list {
		does := "all"
		if len(c.GetProtocols()) > 0 {
			does = strings.Join(c.GetProtocols(), ", ")
		}
		state := "works here"
		if !c.GetActive() {
			state = "left"
		}
		referral := "hidden"
		if c.GetShowConsiderReferral() {
			referral = "shown"
			if c.GetConsiderReferralFrom() != vw.Difficulty_LEVEL_UNSPECIFIED {
				referral += " from " + levelWords(c.GetConsiderReferralFrom())
			}
		}
		rows = append(rows, []string{shortID(c.GetName()), c.GetTitle(), state, referral, does})
	}
	p.list([]string{"id", "clinician", "state", "consider referral", "does"}, rows, "clinicians", next)
}

// CatalogueCommand lists ids.
type CatalogueCommand struct {
	Catalogue string `arg:"" optional:"" help:"Which catalogue; without it the list of catalogues."`
	BelongsTo string `help:"Only entries that belong to this one, for example the answers of a criterion." placeholder:"ID"`
}

// Run lists the catalogues or the entries of one.
func (c *CatalogueCommand) Run(s *Session) error {
	if c.Catalogue == "" {
		reply, err := s.planner().ListCatalogues(s.Context, &vw.ListCataloguesRequest{Parent: s.parent(), PageSize: 1000})
		if err != nil {
			return err
		}
		return s.Show(reply, func(p *Page) {
			var rows [][]string
			for _, found := range reply.GetCatalogues() {
				rows = append(rows, []string{found.GetId(), fmt.Sprint(found.GetEntryCount()), found.GetTitle()})
			}
			p.list([]string{"catalogue", ">entries", "what it holds"}, rows, "catalogues", "")
		})
	}
	entries, err := s.entries(c.Catalogue, c.BelongsTo)
	if err != nil {
		return err
	}
	return s.Show(&vw.ListCatalogueEntriesResponse{Entries: entries}, func(p *Page) {
		var rows [][]string
		for _, e := range entries {
			rows = append(rows, []string{e.GetId(), e.GetBelongsTo(), e.GetTitle()})
		}
		p.list([]string{"id", "belongs to", "in words"}, rows, "entries", "")
	})
}

// entries reads every page of a catalogue.
func (s *Session) entries(catalogue, belongsTo string) ([]*vw.CatalogueEntry, error) {
	var all []*vw.CatalogueEntry
	request := &vw.ListCatalogueEntriesRequest{Parent: s.parent(), Catalogue: catalogue, BelongsTo: belongsTo, PageSize: 1000}
	for {
		reply, err := s.planner().ListCatalogueEntries(s.Context, request)
		if err != nil {
			return nil, err
		}
		all = append(all, reply.GetEntries()...)
		if request.PageToken = reply.GetNextPageToken(); request.PageToken == "" {
			return all, nil
		}
	}
}

// FiguresCommand lists figures.
type FiguresCommand struct {
	Catalogue string `arg:"" optional:"" help:"Only the figures of this catalogue."`
	Unread    bool   `help:"Only figures that were not read in a publication."`
}

// Run lists the clinical figures with their provenance.
func (c *FiguresCommand) Run(s *Session) error {
	catalogues := []string{c.Catalogue}
	if c.Catalogue == "" {
		reply, err := s.planner().ListCatalogues(s.Context, &vw.ListCataloguesRequest{Parent: s.parent(), PageSize: 1000})
		if err != nil {
			return err
		}
		catalogues = nil
		for _, found := range reply.GetCatalogues() {
			catalogues = append(catalogues, found.GetId())
		}
	}
	all := &vw.ListCatalogueEntriesResponse{}
	for _, id := range catalogues {
		entries, err := s.entries(id, "")
		if err != nil {
			return err
		}
		for _, e := range entries {
			if c.Unread {
				e.Figures = unread(e.GetFigures())
			}
			if len(e.GetFigures()) > 0 {
				all.Entries = append(all.Entries, e)
			}
		}
	}
	return s.Show(all, func(p *Page) { ShowFigures(p, all.GetEntries()) })
}

func unread(figures []*vw.Figure) []*vw.Figure {
	var list []*vw.Figure
	for _, f := range figures {
		if f.GetProvenance().GetKind() != vw.Provenance_KIND_PUBLISHED {
			list = append(list, f)
		}
	}
	return list
}

// ShowFigures writes figures by catalogue: the number, what it says, its
// standing and its source.
func ShowFigures(p *Page, entries []*vw.CatalogueEntry) {
	catalogue, count := "", map[string]int{}
	for _, e := range entries {
		if e.GetCatalogue() != catalogue {
			catalogue = e.GetCatalogue()
			p.Heading("%s", words(catalogue, ""))
		}
		name := e.GetTitle()
		if name == "" {
			name = words(e.GetId(), "")
		}
		p.Text("%s", name)
		for _, f := range e.GetFigures() {
			p.Item("%s: %s", f.GetMeaning(), figureWords(f))
			p.Under("%s: %s", kindOf(f.GetProvenance()), f.GetProvenance().GetSource())
			count[kindOf(f.GetProvenance())]++
		}
	}
	p.Gap()
	var sums []string
	for _, kind := range []string{"published", "practice", "memory", "assumed", "invented", "this practice"} {
		if count[kind] > 0 {
			sums = append(sums, fmt.Sprintf("%d %s", count[kind], kind))
		}
	}
	p.Text("%s.", sentenceList("Figures by standing", sums))
}

func sentenceList(head string, parts []string) string {
	if len(parts) == 0 {
		return head + ": none"
	}
	return head + ": " + strings.Join(parts, ", ")
}

// figureWords is a figure with its unit.
func figureWords(f *vw.Figure) string {
	switch f.GetUnit() {
	case "", "1":
		return fmt.Sprintf("%.4g", f.GetValue())
	case "d":
		return fmt.Sprintf("%.4g days", f.GetValue())
	case "mo":
		return fmt.Sprintf("%.4g months", f.GetValue())
	}
	return fmt.Sprintf("%.4g %s", f.GetValue(), f.GetUnit())
}

// AuditCommand reads the audit trail.
type AuditCommand struct {
	List   AuditList   `cmd:"" default:"1" help:"List the trail, newest first."`
	Verify AuditVerify `cmd:"" help:"Walk the whole trail and compare its hashes."`
}

// AuditList lists the trail.
type AuditList struct {
	Resource string `help:"Only lines about this, for example cases/01jd..." placeholder:"NAME"`
	PageFlags
}

// Run lists the trail.
func (c *AuditList) Run(s *Session) error {
	reply, err := s.planner().ListAuditEntries(s.Context, &vw.ListAuditEntriesRequest{Parent: s.parent(), Resource: c.Resource, PageSize: c.Most, PageToken: c.After})
	if err != nil {
		return err
	}
	called, err := s.signInNames(reply.GetEntries())
	if err != nil {
		return err
	}
	return s.Show(reply, func(p *Page) {
		var rows [][]string
		for _, e := range reply.GetEntries() {
			rows = append(rows, []string{fmt.Sprint(e.GetSequence()), e.GetEntryTime().AsTime().Format("2006-01-02 15:04:05"),
				who(e.GetActor(), called), shortID(e.GetMethod()), e.GetOutcome(), e.GetResource()})
		}
		p.list([]string{">line", "when (UTC)", "who", "method", "outcome", "what"}, rows, "lines", reply.GetNextPageToken())
	})
}

// signInNames are the names of the people who stand in the trail, by subject.
func (s *Session) signInNames(entries []*vw.AuditEntry) (map[string]string, error) {
	called := map[string]string{}
	if !slices.ContainsFunc(entries, func(e *vw.AuditEntry) bool { return strings.HasPrefix(e.GetActor().GetSubject(), "people/") }) {
		return called, nil
	}
	everybody, err := s.people()
	for _, p := range everybody {
		called["people/"+shortID(p.GetName())] = p.GetSignInName()
	}
	return called, err
}

// who is a person's name with their role, or the role of a token.
func who(a *vw.Actor, called map[string]string) string {
	role := words(a.GetRole().String(), "ROLE_")
	switch name := called[a.GetSubject()]; {
	case name != "":
		return name + ", " + role
	case a.GetRole() == vw.Role_ROLE_UNSPECIFIED:
		return a.GetSubject() // the sweeps, or somebody who did not get in
	}
	return role
}

// AuditVerify checks the trail.
type AuditVerify struct{}

// Run checks the trail.
func (c *AuditVerify) Run(s *Session) error {
	reply, err := s.planner().VerifyAuditTrail(s.Context, &vw.VerifyAuditTrailRequest{Parent: s.parent()})
	if err != nil {
		return err
	}
	if err := s.Show(reply, func(p *Page) {
		if reply.GetWhole() {
			p.Text("The audit trail is whole.")
			return
		}
		p.Text("The audit trail is broken at line %d: it was changed, or lines before it are missing.", reply.GetFirstBroken().GetSequence())
	}); err != nil {
		return err
	}
	if !reply.GetWhole() {
		return fmt.Errorf("the audit trail is broken at line %d", reply.GetFirstBroken().GetSequence())
	}
	return nil
}
