package planner_test

import (
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/metadata"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/fieldmaskpb"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

func contains(text string, words ...string) bool {
	return slices.ContainsFunc(words, func(s string) bool { return strings.Contains(text, s) })
}

func TestAnUpdateSetsWhatItsMaskNamesAndNothingElse(t *testing.T) {
	b := newBench(t)
	p := b.patient("A-1")
	update := func(change *vw.Patient, paths ...string) *vw.Patient {
		t.Helper()
		change.Name, change.Etag = p.GetName(), p.GetEtag()
		var mask *fieldmaskpb.FieldMask
		if len(paths) > 0 {
			mask = &fieldmaskpb.FieldMask{Paths: paths}
		}
		next, err := b.UpdatePatient(b.clinician(), &vw.UpdatePatientRequest{Patient: change, UpdateMask: mask})
		b.must(err)
		p = next
		return next
	}
	update(&vw.Patient{Phone: proto.String("0660"), Label: proto.String("ignored"), Reference: "A-1"}, "phone")
	if p.GetPhone() != "0660" || p.GetLabel() != "Lee, A." || p.GetWeightKg() != 70 {
		t.Errorf("after a new phone: %v", p)
	}
	// A field that the mask names and the message leaves empty is cleared.
	update(&vw.Patient{Reference: "A-1"}, "weight_kg", "label", "alerts")
	if p.WeightKg != nil || p.Label != nil || len(p.GetAlerts()) != 0 || p.GetPhone() != "0660" {
		t.Errorf("after clearing: %v", p)
	}
	// Without a mask every populated field is set.
	update(&vw.Patient{Reference: "B-1", Guardian: &vw.Guardian{Relation: proto.String("parent")}})
	if p.GetReference() != "B-1" || p.GetGuardian().GetRelation() != "parent" || p.GetPhone() != "0660" {
		t.Errorf("without a mask: %v", p)
	}
}

func TestPatientsAreFoundByReferenceLabelAndPhone(t *testing.T) {
	b := newBench(t)
	p := b.patient("A-1001")
	b.patient("B-1")
	for name, filter := range map[string]*vw.PatientFilter{
		"reference":   {Reference: "a-10"},
		"two at once": {Reference: "a", Label: "lee"},
	} {
		listed, err := b.ListPatients(b.clinician(), &vw.ListPatientsRequest{Parent: ours, Filter: filter})
		if name == "two at once" {
			b.names(b.refused(err, codes.InvalidArgument, "INVALID_FIELD"), "filter", "one of")
			continue
		}
		b.must(err)
		if len(listed.GetPatients()) != 1 || listed.GetPatients()[0].GetName() != p.GetName() {
			t.Errorf("%s found %v", name, listed.GetPatients())
		}
	}
	for _, filter := range []*vw.PatientFilter{{Label: "lee"}, {Phone: "550101"}} {
		listed, err := b.ListPatients(b.clinician(), &vw.ListPatientsRequest{Parent: ours, Filter: filter})
		b.must(err)
		if len(listed.GetPatients()) != 2 {
			t.Errorf("%v found %d patients, want both", filter, len(listed.GetPatients()))
		}
	}
	_, err := b.ListPatients(b.clinician(), &vw.ListPatientsRequest{Parent: ours, Filter: &vw.PatientFilter{Phone: "12"}})
	b.names(b.refused(err, codes.InvalidArgument, "INVALID_FIELD"), "filter.phone", "six digits")
}

func TestListsArePagedToTheirEndAndTokensBelongToTheirRequest(t *testing.T) {
	b := newBench(t)
	for i := range 7 {
		b.molar(b.patient(fmt.Sprintf("A-%d", i)))
	}
	seen := map[string]bool{}
	request := &vw.ListCasesRequest{Parent: ours, PageSize: 3}
	pages := 0
	for {
		listed, err := b.ListCases(b.clinician(), request)
		b.must(err)
		pages++
		for _, c := range listed.GetCases() {
			if seen[c.GetName()] {
				t.Errorf("%s comes twice", c.GetName())
			}
			seen[c.GetName()] = true
		}
		if request.PageToken = listed.GetNextPageToken(); request.PageToken == "" {
			break
		}
		if pages == 1 {
			_, err := b.ListCases(b.clinician(), &vw.ListCasesRequest{Parent: ours, PageToken: request.PageToken, Filter: &vw.CaseFilter{OpenOnly: true}})
			b.names(b.refused(err, codes.InvalidArgument, "INVALID_PAGE_TOKEN"), "page_token", "same request")
			_, err = b.ListPatients(b.clinician(), &vw.ListPatientsRequest{Parent: ours, PageToken: request.PageToken})
			b.refused(err, codes.InvalidArgument, "INVALID_PAGE_TOKEN")
		}
	}
	if len(seen) != 7 || pages != 3 {
		t.Errorf("%d cases on %d pages, want 7 on 3", len(seen), pages)
	}
	_, err := b.ListCases(b.clinician(), &vw.ListCasesRequest{Parent: ours, PageSize: -1})
	b.names(b.refused(err, codes.InvalidArgument, "INVALID_FIELD"), "page_size", "0")
}

// A day of the diary shows many patients and teeth: they are read by two calls,
// not by one for each.
func TestPatientsAndCasesAreReadByTheirNamesInOneCall(t *testing.T) {
	b := newBench(t)
	var people, cases []string
	for i := range 3 {
		p := b.patient(fmt.Sprintf("A-%d", i))
		people, cases = append(people, p.GetName()), append(cases, b.molar(p).GetName())
	}
	ask := func(p, c []string) (int, int) {
		t.Helper()
		patients, err := b.ListPatients(b.clinician(), &vw.ListPatientsRequest{Parent: ours, Filter: &vw.PatientFilter{Names: p}})
		b.must(err)
		listed, err := b.ListCases(b.clinician(), &vw.ListCasesRequest{Parent: ours, Filter: &vw.CaseFilter{Names: c}})
		b.must(err)
		return len(patients.GetPatients()), len(listed.GetCases())
	}
	unknown := []string{ours + "/patients/nobody"}
	for _, c := range []struct {
		people, cases []string
		want          int
	}{
		{people[:2], cases[:2], 2},
		{append(unknown, people[2]), append([]string{ours + "/cases/none"}, cases[2]), 1},
		{[]string{"practices/elsewhere/patients/x"}, []string{"practices/elsewhere/cases/x"}, 0},
	} {
		if p, k := ask(c.people, c.cases); p != c.want || k != c.want {
			t.Errorf("%v: %d patients and %d cases, want %d of each", c.people, p, k, c.want)
		}
	}
	_, err := b.ListPatients(b.clinician(), &vw.ListPatientsRequest{Parent: ours, Filter: &vw.PatientFilter{Names: []string{"A-1"}}})
	b.names(b.refused(err, codes.InvalidArgument, "INVALID_NAME"), "filter.names[0]", "patients")
	_, err = b.ListPatients(b.clinician(), &vw.ListPatientsRequest{Parent: ours, Filter: &vw.PatientFilter{Names: people, Reference: "A"}})
	b.names(b.refused(err, codes.InvalidArgument, "INVALID_FIELD"), "filter", "one of")
	_, err = b.ListCases(b.clinician(), &vw.ListCasesRequest{Parent: ours, Filter: &vw.CaseFilter{Names: cases, ExternalIdentifier: &vw.ExternalIdentifier{System: "x", Value: "1"}}})
	b.names(b.refused(err, codes.InvalidArgument, "INVALID_FIELD"), "filter", "one of")
}

func TestAssessmentsAreKeptSideBySideAndListedNewestFirst(t *testing.T) {
	b := newBench(t)
	c := b.molar(b.patient("A-1"))
	for range 3 {
		b.assessed(c)
	}
	var versions []int64
	request := &vw.ListAssessmentsRequest{Parent: c.GetName(), PageSize: 2}
	for {
		listed, err := b.ListAssessments(b.clinician(), request)
		b.must(err)
		for _, a := range listed.GetAssessments() {
			versions = append(versions, a.GetVersion())
		}
		if request.PageToken = listed.GetNextPageToken(); request.PageToken == "" {
			break
		}
	}
	if !slices.Equal(versions, []int64{3, 2, 1}) {
		t.Errorf("listed %v", versions)
	}
	older, err := b.ProposePlan(b.clinician(), &vw.ProposePlanRequest{Parent: c.GetName(), Assessment: c.GetName() + "/assessments/1"})
	b.must(err)
	if older.GetAssessment().GetVersion() != 1 {
		t.Errorf("planned from assessment %d", older.GetAssessment().GetVersion())
	}
}

func TestAClinicianChangesOnlyTheirOwnPreferences(t *testing.T) {
	b := newBench(t)
	manager := b.as(store.RoleManager)
	create := func(title string) *vw.Clinician {
		c, err := b.CreateClinician(manager, &vw.CreateClinicianRequest{Parent: ours, Clinician: &vw.Clinician{Title: title, Protocols: []string{"primary-treatment"}}})
		b.must(err)
		return c
	}
	me, other := create("Dr A"), create("Dr B")
	if !me.GetActive() {
		t.Error("a new clinician does not work here")
	}
	own := metadata.AppendToOutgoingContext(b.clinician(), "clinician", me.GetName()[strings.LastIndex(me.GetName(), "/")+1:])
	show := func(c *vw.Clinician, paths ...string) error {
		next := proto.CloneOf(c)
		next.ShowConsiderReferral, next.Title = true, "Professor"
		_, err := b.UpdateClinician(own, &vw.UpdateClinicianRequest{Clinician: next, UpdateMask: &fieldmaskpb.FieldMask{Paths: paths}})
		return err
	}
	b.must(show(me, "show_consider_referral"))
	b.refused(show(other, "show_consider_referral"), codes.PermissionDenied, "ROLE_NOT_ALLOWED")
	b.refused(show(me, "title"), codes.PermissionDenied, "ROLE_NOT_ALLOWED")
	_, err := b.CreateClinician(manager, &vw.CreateClinicianRequest{Parent: ours, Clinician: &vw.Clinician{Title: "Dr C", Protocols: []string{"whitening"}}})
	b.names(b.refused(err, codes.InvalidArgument, "UNKNOWN_CATALOGUE_ID"), "clinician.protocols[0]", "protocols")

	listed, err := b.ListClinicians(b.clinician(), &vw.ListCliniciansRequest{Parent: ours})
	b.must(err)
	if len(listed.GetClinicians()) != 2 || !listed.GetClinicians()[0].GetShowConsiderReferral() || listed.GetClinicians()[1].GetShowConsiderReferral() {
		t.Errorf("listed %v", listed.GetClinicians())
	}
}

// Whether "consider referral" shows is each clinician's setting.
func TestConsiderReferralShowsToWhoWantsToSeeIt(t *testing.T) {
	b := newBench(t)
	c := b.molar(b.patient("A-1"))
	hard := findings()
	hard.Answers = append(hard.Answers, &vw.Answer{Criterion: "mouth-opening", Answer: "markedly-limited"})
	assess := func(show bool) *vw.Difficulty {
		doctor, err := b.CreateClinician(b.as(store.RoleManager), &vw.CreateClinicianRequest{Parent: ours, Clinician: &vw.Clinician{Title: "Dr", ShowConsiderReferral: show}})
		b.must(err)
		ctx := metadata.AppendToOutgoingContext(b.clinician(), "clinician", doctor.GetName()[strings.LastIndex(doctor.GetName(), "/")+1:])
		a, err := b.Assess(ctx, &vw.AssessRequest{Parent: c.GetName(), Findings: hard, ValidateOnly: true})
		b.must(err)
		return a.GetDifficulty()
	}
	if d := assess(true); d.GetLevel() != vw.Difficulty_LEVEL_HIGH || !d.GetConsiderReferral() {
		t.Errorf("who wants to see it sees %v %v", d.GetLevel(), d.GetConsiderReferral())
	}
	if d := assess(false); d.GetLevel() != vw.Difficulty_LEVEL_HIGH || d.GetConsiderReferral() {
		t.Errorf("who does not sees %v %v", d.GetLevel(), d.GetConsiderReferral())
	}
}

func TestAToothIsShownAsThePracticeWritesIt(t *testing.T) {
	b := newBench(t)
	c := b.molar(b.patient("A-1"))
	for notation, want := range map[vw.ToothNotation]string{
		vw.ToothNotation_TOOTH_NOTATION_UNIVERSAL: "30", vw.ToothNotation_TOOTH_NOTATION_QUADRANT: "LR6", vw.ToothNotation_TOOTH_NOTATION_ISO: "46",
	} {
		s, err := b.GetPracticeSettings(b.as(store.RoleManager), &vw.GetPracticeSettingsRequest{Name: ours + "/settings"})
		b.must(err)
		s.Notation = notation
		_, err = b.UpdatePracticeSettings(b.as(store.RoleManager), &vw.UpdatePracticeSettingsRequest{Settings: s})
		b.must(err)
		got, err := b.GetCase(b.clinician(), &vw.GetCaseRequest{Name: c.GetName()})
		b.must(err)
		if got.GetTooth().GetShown() != want || got.GetTooth().GetIso() != "46" || got.GetTooth().GetWords() != "lower right first molar" {
			t.Errorf("shown as %v, want %s", got.GetTooth(), want)
		}
	}
}

func TestAnotherServicesSettingsStayWhenOursChange(t *testing.T) {
	b := newBench(t)
	call := store.Call{Practice: "willow-lane", Actor: "x", Role: store.RoleManager, Method: "/t/M"}
	p, err := b.store.GetPractice(b.Context(), call)
	b.must(err)
	_, err = b.store.UpdatePractice(b.Context(), call, store.PracticeUpdate{Etag: p.Etag, Settings: []byte(`{"diary":{"start_step_minutes":10}}`)})
	b.must(err)
	s, err := b.GetPracticeSettings(b.as(store.RoleManager), &vw.GetPracticeSettingsRequest{Name: ours + "/settings"})
	b.must(err)
	s.Microscope = true
	_, err = b.UpdatePracticeSettings(b.as(store.RoleManager), &vw.UpdatePracticeSettingsRequest{Settings: s})
	b.must(err)
	p, err = b.store.GetPractice(b.Context(), call)
	b.must(err)
	if !strings.Contains(string(p.Settings), `"start_step_minutes":10`) || !strings.Contains(string(p.Settings), `"microscope":true`) {
		t.Errorf("kept %s", p.Settings)
	}
}

func TestWhatThePracticeSetsItselfIsMarkedAsItsOwn(t *testing.T) {
	b := newBench(t)
	s, err := b.GetPracticeSettings(b.as(store.RoleManager), &vw.GetPracticeSettingsRequest{Name: ours + "/settings"})
	b.must(err)
	s.Overrides = []*vw.FigureOverride{{Figure: "steps.shape.median", Value: 9, Source: "our own log"}}
	_, err = b.UpdatePracticeSettings(b.as(store.RoleManager), &vw.UpdatePracticeSettingsRequest{Settings: s})
	b.must(err)
	entries := b.catalogue("steps")
	for _, e := range entries {
		for _, f := range e.GetFigures() {
			own := e.GetId() == "shape" && f.GetMeaning() == "median"
			if own != (f.GetProvenance().GetKind() == vw.Provenance_KIND_LOCAL) {
				t.Errorf("%s %s is marked %v", e.GetId(), f.GetMeaning(), f.GetProvenance())
			}
			if own && f.GetValue() != 9 {
				t.Errorf("the practice's own figure is %v", f.GetValue())
			}
		}
	}
}

func (b *bench) catalogue(id string) []*vw.CatalogueEntry {
	b.Helper()
	var out []*vw.CatalogueEntry
	request := &vw.ListCatalogueEntriesRequest{Parent: ours, Catalogue: id, PageSize: 100}
	for {
		listed, err := b.ListCatalogueEntries(b.as(store.RoleReception), request)
		b.must(err)
		out = append(out, listed.GetEntries()...)
		if request.PageToken = listed.GetNextPageToken(); request.PageToken == "" {
			return out
		}
	}
}

// Every catalogue that the contract names is served, has entries, and each
// entry has words; every figure says where it comes from.
func TestEveryCatalogueOfTheContractIsServed(t *testing.T) {
	b := newBench(t)
	named := map[string]bool{}
	files, err := filepath.Glob("../proto/visitwright/v1/*.proto")
	b.must(err)
	quoted := regexp.MustCompile(`\(catalogue(?:\s|//)+"([a-z-]+)"`)
	for _, file := range files {
		text, err := os.ReadFile(file)
		b.must(err)
		for _, m := range quoted.FindAllStringSubmatch(string(text), -1) {
			named[m[1]] = true
		}
	}
	if len(named) < 25 {
		t.Fatalf("only %d catalogues were found in the contract", len(named))
	}
	listed, err := b.ListCatalogues(b.as(store.RoleReception), &vw.ListCataloguesRequest{Parent: ours})
	b.must(err)
	for _, c := range listed.GetCatalogues() {
		delete(named, c.GetId())
		entries := b.catalogue(c.GetId())
		if len(entries) == 0 || len(entries) != int(c.GetEntryCount()) || c.GetTitle() == "" {
			t.Errorf("%s says %d entries and has %d", c.GetId(), c.GetEntryCount(), len(entries))
		}
		for i, e := range entries {
			if e.GetId() == "" || e.GetTitle() == "" || e.GetPosition() != int32(i+1) {
				t.Errorf("%s: entry %v", c.GetId(), e)
			}
			for _, f := range e.GetFigures() {
				if f.GetProvenance().GetKind() == vw.Provenance_KIND_UNSPECIFIED || f.GetProvenance().GetSource() == "" {
					t.Errorf("%s %s: %s has no provenance", c.GetId(), e.GetId(), f.GetMeaning())
				}
			}
		}
	}
	for id := range named {
		t.Errorf("the contract speaks of the catalogue %q, which is not served", id)
	}
	_, err = b.ListCatalogueEntries(b.clinician(), &vw.ListCatalogueEntriesRequest{Parent: ours, Catalogue: "wines"})
	b.names(b.refused(err, codes.NotFound, "CATALOGUE_NOT_FOUND"), "catalogue", "id of a catalogue")
}

func TestServerInfoSpellsTheLimits(t *testing.T) {
	b := newBench(t)
	info, err := b.GetServerInfo(b.clinician(), &vw.GetServerInfoRequest{})
	b.must(err)
	l := info.GetLimits()
	if l.GetDefaultPageSize() != 50 || l.GetLargestPageSize() != 1000 || l.GetRequestIdRetention().AsDuration().Hours() != 24 || l.GetRequestBytes() != 1<<20 {
		t.Errorf("the limits are %v", l)
	}
	if info.GetContractVersion() != "v1" || info.GetDataVersion() == "" || info.GetModelVersion() == "" || info.GetZoneDatabase() == "" {
		t.Errorf("the versions are %v", info)
	}
}

func TestAnIntegrationNamesThePersonItActsFor(t *testing.T) {
	b := newBench(t)
	made, err := b.CreatePatient(b.as(store.RoleIntegration), &vw.CreatePatientRequest{Parent: ours, OnBehalfOf: "desk-b",
		Patient: &vw.Patient{Reference: "X-1", ExternalIdentifiers: []*vw.ExternalIdentifier{{System: "front-desk", Value: "4711"}}}})
	b.must(err)
	for _, e := range b.trail() {
		if e.GetResource() == made.GetName()[len(ours)+1:] && e.GetActor().GetOnBehalfOf() != "desk-b" {
			t.Errorf("the trail says %v", e.GetActor())
		}
	}
	found, err := b.ListPatients(b.as(store.RoleIntegration), &vw.ListPatientsRequest{Parent: ours,
		Filter: &vw.PatientFilter{ExternalIdentifier: &vw.ExternalIdentifier{System: "front-desk", Value: "4711"}}})
	b.must(err)
	if len(found.GetPatients()) != 1 || found.GetPatients()[0].GetName() != made.GetName() {
		t.Errorf("by its name in the other system: %v", found.GetPatients())
	}
	_, err = b.CreatePatient(b.as(store.RoleIntegration), &vw.CreatePatientRequest{Parent: ours, OnBehalfOf: "desk-b",
		Patient: &vw.Patient{Reference: "X-2", ExternalIdentifiers: []*vw.ExternalIdentifier{{System: "front-desk", Value: "4711"}}}})
	b.names(b.refused(err, codes.AlreadyExists, "EXTERNAL_IDENTIFIER_TAKEN"), "patient.external_identifiers", "no other record")
	_, err = b.CreateCase(b.as(store.RoleIntegration), &vw.CreateCaseRequest{Parent: ours, OnBehalfOf: "desk-b",
		Case: &vw.Case{Patient: made.GetName(), ExternalIdentifiers: []*vw.ExternalIdentifier{{System: "front-desk", Value: "4711"}}}})
	b.must(err) // a case may have the number of a patient
	for open, want := range map[string]int{"4711": 1, "4712": 0} {
		listed, err := b.ListCases(b.as(store.RoleIntegration), &vw.ListCasesRequest{Parent: ours,
			Filter: &vw.CaseFilter{OpenOnly: true, ExternalIdentifier: &vw.ExternalIdentifier{System: "front-desk", Value: open}}})
		b.must(err)
		if len(listed.GetCases()) != want {
			t.Errorf("%s finds %d cases, want %d", open, len(listed.GetCases()), want)
		}
	}
	_, err = b.CreateCase(b.as(store.RoleIntegration), &vw.CreateCaseRequest{Parent: ours, OnBehalfOf: "desk-b",
		Case: &vw.Case{Patient: made.GetName(), ExternalIdentifiers: []*vw.ExternalIdentifier{{System: "front-desk", Value: "4711"}}}})
	b.names(b.refused(err, codes.AlreadyExists, "EXTERNAL_IDENTIFIER_TAKEN"), "case.external_identifiers", "no other record")
}

// An alert acts while it lasts: not before its first day, not after its last.
func TestAnAlertActsWhileItLasts(t *testing.T) {
	b := newBench(t)
	p, err := b.CreatePatient(b.clinician(), &vw.CreatePatientRequest{Parent: ours, Patient: &vw.Patient{Reference: "A-1", Alerts: []*vw.Alert{
		{Kind: "latex"}, {Kind: "pregnancy", FirstDate: day(2026, 1, 1), LastDate: day(2026, 3, 2)}, {Kind: "cardiac", FirstDate: day(2026, 3, 4)}}}})
	b.must(err)
	c := b.molar(p)
	b.assessed(c)
	plan := b.planned(c)
	sheet, err := b.GetVisitSheet(b.clinician(), &vw.GetVisitSheetRequest{Parts: []*vw.VisitPart{{Plan: plan.GetName(), Visit: 1}}})
	b.must(err)
	if len(sheet.GetAlerts()) != 1 || sheet.GetAlerts()[0].GetAlert().GetKind() != "latex" {
		t.Errorf("on 3 March the sheet shows %v", sheet.GetAlerts())
	}
	if sheet.GetAnaesthetic().GetNoNumberBecause() == "" || len(sheet.GetAnaesthetic().GetAgents()) != 0 {
		t.Errorf("without a weight the sheet gives a number: %v", sheet.GetAnaesthetic())
	}
	_, err = b.CreatePatient(b.clinician(), &vw.CreatePatientRequest{Parent: ours, Patient: &vw.Patient{Reference: "A-2", Alerts: []*vw.Alert{
		{Kind: "pregnancy", FirstDate: day(2026, 3, 2), LastDate: day(2026, 3, 1)}}}})
	b.names(b.refused(err, codes.InvalidArgument, "END_BEFORE_START"), "patient.alerts[0].last_date", "not before")
	_, err = b.CreatePatient(b.clinician(), &vw.CreatePatientRequest{Parent: ours, Patient: &vw.Patient{Reference: "A-2", Alerts: []*vw.Alert{{Kind: "bad-mood"}}}})
	b.names(b.refused(err, codes.InvalidArgument, "UNKNOWN_CATALOGUE_ID"), "patient.alerts[0].kind", "alerts")
	_, err = b.CreatePatient(b.clinician(), &vw.CreatePatientRequest{Parent: ours, Patient: &vw.Patient{Reference: "A-2", Alerts: []*vw.Alert{{Kind: "latex", FirstDate: day(2026, 2, 30)}}}})
	b.names(b.refused(err, codes.InvalidArgument, "INVALID_FIELD"), "patient.alerts[0].first_date", "calendar")
}

// What was given already counts against the day's limit.
func TestWhatWasGivenAlreadyLeavesLess(t *testing.T) {
	b := newBench(t)
	c := b.molar(b.patient("A-1"))
	b.assessed(c)
	plan := b.planned(c)
	left := func(given ...*vw.GivenAnaesthetic) int32 {
		sheet, err := b.GetVisitSheet(b.clinician(), &vw.GetVisitSheetRequest{Parts: []*vw.VisitPart{{Plan: plan.GetName(), Visit: 1}}, Given: given})
		b.must(err)
		return sheet.GetAnaesthetic().GetAgents()[0].GetMostCartridges()
	}
	two := &vw.GivenAnaesthetic{Solution: &vw.AnaestheticSolution{Agent: "lidocaine", Percent: 2, Vasoconstrictor: "epinephrine", OneIn: 100000}, Cartridges: 2}
	if before, after := left(), left(two); after != before-2 {
		t.Errorf("after two cartridges %d are left of %d", after, before)
	}
	_, err := b.GetVisitSheet(b.clinician(), &vw.GetVisitSheetRequest{Parts: []*vw.VisitPart{{Plan: plan.GetName(), Visit: 1}},
		Given: []*vw.GivenAnaesthetic{{Solution: &vw.AnaestheticSolution{Agent: "brandy", Percent: 4, Vasoconstrictor: "none"}, Cartridges: 1}}})
	b.names(b.refused(err, codes.InvalidArgument, "UNKNOWN_CATALOGUE_ID"), "given[0].solution.agent", "anaesthetics")
}

func TestADiagnosisOfTheAssessmentReplacesTheCasesOwn(t *testing.T) {
	b := newBench(t)
	c := b.molar(b.patient("A-1"))
	f := findings()
	f.Diagnosis = &vw.Diagnosis{Pulpal: "symptomatic-irreversible-pulpitis", Apical: "symptomatic-apical-periodontitis"}
	_, err := b.Assess(b.clinician(), &vw.AssessRequest{Parent: c.GetName(), Findings: f})
	b.must(err)
	after, err := b.GetCase(b.clinician(), &vw.GetCaseRequest{Name: c.GetName()})
	b.must(err)
	if !proto.Equal(after.GetDiagnosis(), f.GetDiagnosis()) {
		t.Errorf("the case says %v", after.GetDiagnosis())
	}
}

// Answers stay with the edition of the form that asked for them.
func TestAnAssessmentKeepsItsEditionWhenThePracticeTakesAnother(t *testing.T) {
	b := newBench(t)
	manager := b.as(store.RoleManager)
	set := func(edition string) {
		s, err := b.GetPracticeSettings(manager, &vw.GetPracticeSettingsRequest{Name: ours + "/settings"})
		b.must(err)
		s.DifficultyEdition = edition
		_, err = b.UpdatePracticeSettings(manager, &vw.UpdatePracticeSettingsRequest{Settings: s})
		b.must(err)
	}
	set("2005-2010")
	c := b.molar(b.patient("A-1"))
	a := b.assessed(c)
	set("2022")
	plan := b.planned(c)
	if a.GetDifficulty().GetEdition() != "2005-2010" || plan.GetAssessment().GetDifficulty().GetEdition() != "2005-2010" {
		t.Errorf("assessed by %s, planned by %s", a.GetDifficulty().GetEdition(), plan.GetAssessment().GetDifficulty().GetEdition())
	}
	_, err := b.GetVisitSheet(b.clinician(), &vw.GetVisitSheetRequest{Parts: []*vw.VisitPart{{Plan: plan.GetName(), Visit: 1}}})
	b.must(err)
}
