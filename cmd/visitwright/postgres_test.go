package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
	"github.com/visitwright/visitwright/store/access"
	"github.com/visitwright/visitwright/store/pgtest"
)

func TestOneFlagMovesThePracticeToPostgreSQL(t *testing.T) {
	url := pgtest.Empty(t)
	h := newHome(t)
	s := h.serve("--database", url)
	plan := h.must(append([]string{"plan", "--no-sheet", "--server", s.address, "--reference", "INVENTED-46"}, demoFlags...)...)
	embedded := newHome(t)
	e := embedded.serve()
	same := embedded.must(append([]string{"plan", "--no-sheet", "--server", e.address, "--reference", "INVENTED-46"}, demoFlags...)...)
	if plan != same {
		t.Errorf("PostgreSQL and the embedded file answer differently:\n%s", difference(same, plan))
	}
	if _, err := os.Stat(filepath.Join(h.dir, access.DatabaseFile)); err == nil {
		t.Error("an embedded database was made beside")
	}
	if out := h.must("audit", "verify", "--server", s.address); !strings.Contains(out, "whole") {
		t.Errorf("the audit trail: %s", out)
	}
}

func TestTwoReplicasServeOnePracticeAndAThirdNeedsItsKey(t *testing.T) {
	url := pgtest.Empty(t)
	first, second, third := newHome(t), newHome(t), newHome(t)
	a := first.serve("--database", url)
	for _, name := range []string{access.KeyFile, access.CredentialsFile} {
		text, err := os.ReadFile(filepath.Join(first.dir, name))
		if err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(filepath.Join(second.dir, name), text, 0o600); err != nil {
			t.Fatal(err)
		}
	}
	b := second.serve("--database", url)
	here, parent := first.connect(a, store.RoleReception)
	there, _ := second.connect(b, store.RoleReception)
	label := "Invented patient"
	made, err := here.Planner.CreatePatient(t.Context(), &vw.CreatePatientRequest{Parent: parent, Patient: &vw.Patient{Reference: "R-1", Label: &label}})
	if err != nil {
		t.Fatal(err)
	}
	seen, err := there.Planner.GetPatient(t.Context(), &vw.GetPatientRequest{Name: made.GetName()})
	if err != nil || seen.GetLabel() != label {
		t.Errorf("the other replica sees %v, %v", seen, err)
	}
	// A page token of one replica is good on the other.
	page, err := here.Planner.ListPatients(t.Context(), &vw.ListPatientsRequest{Parent: parent, PageSize: 1})
	if err != nil || len(page.GetPatients()) != 1 {
		t.Fatal(page, err)
	}
	if _, err := there.Planner.CreatePatient(t.Context(), &vw.CreatePatientRequest{Parent: parent, Patient: &vw.Patient{Reference: "R-2"}}); err != nil {
		t.Fatal(err)
	}
	page, err = here.Planner.ListPatients(t.Context(), &vw.ListPatientsRequest{Parent: parent, PageSize: 1})
	if err != nil || page.GetNextPageToken() == "" {
		t.Fatal(page, err)
	}
	next, err := there.Planner.ListPatients(t.Context(), &vw.ListPatientsRequest{Parent: parent, PageSize: 1, PageToken: page.GetNextPageToken()})
	if err != nil || len(next.GetPatients()) != 1 || next.GetPatients()[0].GetName() == page.GetPatients()[0].GetName() {
		t.Errorf("the second page on the other replica: %v, %v", next, err)
	}
	c := third.program("serve", "--listen", "127.0.0.1:0", "--database", url)
	if c.code != exitRefused || !strings.Contains(c.err, access.KeyFile) {
		t.Errorf("a replica without the key: exit %d, %s", c.code, c.err)
	}
}
