package main

import (
	"strings"
	"testing"

	"google.golang.org/protobuf/types/known/fieldmaskpb"

	client "github.com/visitwright/visitwright/clients/go"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// One case on its way through every command, each as its own run of the
// program on one database. The golden files are the whole of what is shown.
func TestACaseGoesItsWholeWayThroughTheCommands(t *testing.T) {
	h := newHome(t)
	show := func(name string, args ...string) string {
		out := h.must(args...)
		golden(t, name, out)
		return out
	}
	show("patient-add", "patient", "add", "INVENTED-0046", "--weight", "68", "--alert", "latex", "--label", "Invented patient 46")
	show("patient-change", "patient", "change", "INVENTED-0046", "--weight", "70")
	show("patient-show", "patient", "show", "INVENTED-0046")
	show("patient-list", "patient", "list")
	page := show("case-open", "case", "open", "--patient", "INVENTED-0046", "--tooth", "46", "--protocol", "primary-treatment",
		"--diagnosis", "necrotic-lesion", "--referred-by", "an invented colleague", "--question", "Root-canal treatment of 46?", "--from-letter")
	id := h.id(page, "Case")
	show("case-show", "case", "show", id)
	show("case-list", "case", "list")
	show("assess", "assess", id, "--diagnosis", "necrotic-lesion", "--radiograph-count", "3", "--factor", "narrow-mesial-canals")
	show("propose", "propose", id)
	show("revisions-one", "revisions", id)
	show("assess-again", "assess", id, "--diagnosis", "necrotic-lesion", "--radiograph-count", "3", "--cbct-count", "4", "--factor", "narrow-mesial-canals")
	h.must("propose", id)
	show("revisions", "revisions", id)
	show("revision", "revisions", id, "2")
	show("assessments", "assessments", id)
	show("assessment", "assessments", id, "1")
	show("compare", "compare", id, "1", "2")
	show("accept", "accept", id, "--option", "two-visits", "--consent", "written")
	show("sheet", "sheet", id)
	show("sheet-second", "sheet", id, "--visit", "2")
	other := h.id(h.must("case", "open", "--patient", "INVENTED-0046", "--tooth", "47", "--protocol", "primary-treatment", "--diagnosis", "irreversible-pulpitis"), "Case")
	h.must("assess", other, "--diagnosis", "irreversible-pulpitis", "--radiograph-count", "3")
	h.must("propose", other)
	show("together", "together", id, other)
	show("clinician-add", "clinician", "add", "Dr Invented")
	show("settings", "settings")
	show("settings-change", "settings", "change", "--notation", "quadrant", "--zone", "Europe/Vienna")
	show("case-show-quadrant", "case", "show", id)
	if kept := h.must("revisions", id, "1"); !strings.Contains(kept, "for LR6, lower right first molar") {
		t.Errorf("a kept revision is not shown in today's notation:\n%s", kept)
	}
	show("stop-preview", "stop", id, "--reason", "declined", "--preview")
	show("stop", "stop", id, "--reason", "declined", "--note", "prefers to wait")
	// Catalogues grow in any release; those that the commands name are there.
	list := h.must("catalogue")
	for _, name := range []string{"alerts", "closing-reasons", "difficulty-criteria", "evidence-signs", "factors", "figures", "medicaments", "protocols", "pulpal-diagnoses", "steps", "stops", "temporaries"} {
		if !strings.Contains(list, "\n"+name+" ") {
			t.Errorf("no catalogue %s in\n%s", name, list)
		}
	}
	show("catalogue-closing-reasons", "catalogue", "closing-reasons")
	show("figures-medicaments", "figures", "medicaments")
	everyFigureHasASource(t, h.must("figures"))
	show("audit-verify", "audit", "verify")
	show("token-list", "token", "list")
	if out := h.must("audit", "list"); !strings.Contains(out, "StopCase") || !strings.Contains(out, "AcceptOption") {
		t.Errorf("the audit trail lacks the case:\n%s", out)
	}
	if out := h.must("version"); !strings.Contains(out, "clinical data") {
		t.Errorf("version shows\n%s", out)
	}
	again := h.run("propose", id)
	if again.code != exitRefused || !strings.Contains(again.err, "CASE_CLOSED") {
		t.Errorf("a closed case was planned again: exit %d, %s", again.code, again.err)
	}
}

// everyFigureHasASource reads the list of all figures: behind each stands what
// it is and where it comes from.
func everyFigureHasASource(t *testing.T, page string) {
	t.Helper()
	lines := strings.Split(page, "\n")
	figures := 0
	for i, line := range lines {
		if !strings.HasPrefix(line, "  - ") {
			continue
		}
		figures++
		var behind string
		for _, next := range lines[i+1:] {
			if !strings.HasPrefix(next, "      ") {
				break
			}
			behind += strings.TrimSpace(next) + " "
		}
		kind, source, found := strings.Cut(behind, ": ")
		if words := strings.Fields(kind); !found || len(words) == 0 || strings.TrimSpace(source) == "" {
			t.Errorf("a figure without its source: %s %q", line, behind)
		}
	}
	if figures < 300 || !strings.Contains(page, "Figures by standing: ") {
		t.Errorf("%d figures are listed", figures)
	}
}

func TestATokenThatIsRevokedOpensNothing(t *testing.T) {
	h := newHome(t)
	text := strings.TrimSpace(h.must("token", "create", "reception", "--label", "front desk"))
	if !strings.HasPrefix(text, "vw1.my-practice.") {
		t.Fatalf("the token is %q", text)
	}
	h.must("patient", "list", "--token", text)
	h.must("token", "revoke", strings.Split(text, ".")[2])
	a := h.run("patient", "list", "--token", text)
	if a.code != exitRefused || !strings.Contains(a.err, "TOKEN_INVALID") {
		t.Errorf("exit %d: %s", a.code, a.err)
	}
	if list := h.must("token", "list"); !strings.Contains(list, "revoked") || strings.Contains(list, text) {
		t.Errorf("the list shows\n%s", list)
	}
}

func TestEachRoleMayDoItsOwnWorkAndNoOther(t *testing.T) {
	h := newHome(t)
	h.must("patient", "add", "INVENTED-1", "--as", "reception")
	id := h.id(h.must("case", "open", "--patient", "INVENTED-1", "--tooth", "46", "--diagnosis", "necrotic-lesion", "--as", "reception"), "Case")
	refused := func(reason string, args ...string) {
		t.Helper()
		a := h.run(args...)
		if a.code != exitRefused || !strings.Contains(a.err, reason) {
			t.Errorf("visitwright %s: exit %d, want a refusal with %s: %s", strings.Join(args, " "), a.code, reason, a.err)
		}
	}
	refused("CLINICIAN_REQUIRED", "assess", id, "--as", "reception", "--radiograph-count", "3", "--diagnosis", "necrotic-lesion")
	h.must("assess", id, "--preview", "--as", "reception", "--radiograph-count", "3", "--diagnosis", "necrotic-lesion")
	h.must("assess", id, "--as", "nurse", "--radiograph-count", "3", "--diagnosis", "necrotic-lesion")
	h.must("propose", id, "--as", "nurse")
	for _, role := range []string{"reception", "nurse", "manager"} {
		refused("ROLE_NOT_ALLOWED", "accept", id, "--option", "two-visits", "--as", role)
	}
	h.must("accept", id, "--option", "two-visits", "--as", "clinician")
	refused("ROLE_NOT_ALLOWED", "audit", "list", "--as", "clinician")
	refused("ROLE_NOT_ALLOWED", "patient", "list", "--as", "manager")
	refused("CLINICIAN_REQUIRED", "stop", id, "--reason", "healed-discharged", "--as", "reception")
	h.must("stop", id, "--reason", "declined", "--as", "reception")
	if out := h.must("audit", "list"); !strings.Contains(out, "ROLE_NOT_ALLOWED") {
		t.Errorf("the refusals are not in the audit trail:\n%s", out)
	}
}

func TestWhoReadFirstAndWritesLastIsTold(t *testing.T) {
	h := newHome(t)
	c, parent := h.connect(h.serve(), store.RoleClinician)
	made, err := c.Planner.CreatePatient(t.Context(), &vw.CreatePatientRequest{Parent: parent, Patient: &vw.Patient{Reference: "INVENTED-1"}})
	if err != nil {
		t.Fatal(err)
	}
	change := func(weight float64) error {
		_, err := c.Planner.UpdatePatient(t.Context(), &vw.UpdatePatientRequest{
			Patient:    &vw.Patient{Name: made.GetName(), Etag: made.GetEtag(), WeightKg: &weight},
			UpdateMask: &fieldmaskpb.FieldMask{Paths: []string{"weight_kg"}}})
		return err
	}
	if err := change(68); err != nil {
		t.Fatal(err)
	}
	if err := change(86); client.ReasonOf(err) != "ETAG_MISMATCH" {
		t.Errorf("the second change with the same etag: %v", err)
	}
	now, err := c.Planner.GetPatient(t.Context(), &vw.GetPatientRequest{Name: made.GetName()})
	if err != nil || now.GetWeightKg() != 68 {
		t.Errorf("the patient weighs %v kg (%v), want the 68 of the first change", now.GetWeightKg(), err)
	}
}

func TestAnotherPracticesCaseDoesNotExist(t *testing.T) {
	here, there := newHome(t), newHome(t)
	there.must("patient", "add", "INVENTED-1")
	id := there.id(there.must("case", "open", "--patient", "INVENTED-1", "--tooth", "46"), "Case")
	for _, name := range []string{id, "practices/their-practice/cases/" + id} {
		a := here.run("case", "show", name)
		if a.code != exitRefused || !strings.Contains(a.err, "NOT_FOUND") || strings.Contains(a.err, "their-practice") {
			t.Errorf("%s: exit %d, %s", name, a.code, a.err)
		}
	}
}
