package storetest

import (
	"context"
	"errors"
	"strings"
	"sync"
	"testing"

	"github.com/visitwright/visitwright/store"
)

var wallTests = map[string]func(*bench){
	"another practice sees nothing and changes nothing": func(b *bench) {
		p := b.patient(ours, "a")
		c := b.openCase(ours)
		_, err := b.s.SaveAssessment(b.ctx, call(ours), store.NewAssessment{CaseID: c.ID, Document: []byte("a")})
		b.must(err)
		_, err = b.s.SavePlanRevision(b.ctx, call(ours), twoVisits(c.ID, 0))
		b.must(err)
		cl, err := b.s.PutClinician(b.ctx, call(ours), store.Clinician{Name: "One", Active: true})
		b.must(err)
		you := call(theirs)
		tooth, weight := 11, 1
		tries := map[string]error{}
		_, tries["GetPatient"] = b.s.GetPatient(b.ctx, you, p.ID)
		_, tries["UpdatePatient"] = b.s.UpdatePatient(b.ctx, you, store.PatientUpdate{ID: p.ID, Etag: p.Etag, WeightGrams: &weight})
		_, tries["CreateCase"] = b.s.CreateCase(b.ctx, you, store.Case{PatientID: p.ID})
		_, tries["GetCase"] = b.s.GetCase(b.ctx, you, c.ID)
		_, tries["UpdateCase"] = b.s.UpdateCase(b.ctx, you, store.CaseUpdate{ID: c.ID, Etag: c.Etag, Tooth: &tooth})
		_, tries["CloseCase"] = b.s.CloseCase(b.ctx, you, store.CaseClosing{ID: c.ID, Reason: store.ClosedLost})
		_, tries["SaveAssessment"] = b.s.SaveAssessment(b.ctx, you, store.NewAssessment{CaseID: c.ID, Base: 1})
		_, tries["GetAssessment"] = b.s.GetAssessment(b.ctx, you, c.ID, 1)
		_, tries["SavePlanRevision"] = b.s.SavePlanRevision(b.ctx, you, twoVisits(c.ID, 1))
		_, tries["GetPlanRevision"] = b.s.GetPlanRevision(b.ctx, you, c.ID, 1)
		_, _, tries["ListPlanRevisions"] = b.s.ListPlanRevisions(b.ctx, you, c.ID, store.Page{})
		_, tries["AcceptOption"] = b.s.AcceptOption(b.ctx, you, store.NewAcceptance{CaseID: c.ID, Revision: 1, Option: "two-visits"})
		_, tries["GetClinician"] = b.s.GetClinician(b.ctx, you, cl.ID)
		_, tries["PutClinician"] = b.s.PutClinician(b.ctx, you, cl)
		for name, err := range tries {
			if !errors.Is(err, store.ErrNotFound) {
				b.Errorf("%s with another practice's id: %v, want not found", name, err)
			}
		}
		patients, _, err := b.s.SearchPatients(b.ctx, you, store.PatientQuery{})
		b.must(err)
		cases, _, err := b.s.ListCases(b.ctx, you, store.CaseQuery{})
		b.must(err)
		clinicians, err := b.s.ListClinicians(b.ctx, you)
		b.must(err)
		if len(patients)+len(cases)+len(clinicians) != 0 {
			b.Errorf("lists show %d patients, %d cases, %d clinicians of another practice", len(patients), len(cases), len(clinicians))
		}
		got, err := b.s.GetCase(b.ctx, call(ours), c.ID)
		b.must(err)
		if got.Tooth != 46 || got.State == store.CaseClosed {
			b.Errorf("another practice changed the case: %+v", got)
		}
	},
	"a practice that does not exist keeps nothing": func(b *bench) {
		_, err := b.s.CreatePatient(b.ctx, call("nowhere"), store.Patient{Reference: "a"})
		wantKind(b, err, store.ErrNotFound)
		_, err = b.s.GetPatient(b.ctx, call("no/where"), "a")
		wantProblem(b, err, store.ErrInvalid, "practice")
	},
	"no error repeats what a patient or a driver said": func(b *bench) {
		p := plantedPatient(b, call(ours))
		canceled, cancel := context.WithCancel(b.ctx)
		cancel()
		label := store.Contact{Label: "Quittenbaum"}
		var errs []error
		add := func(err error) { errs = append(errs, err) }
		_, err := b.s.CreatePatient(b.ctx, call(ours), store.Patient{Reference: "sealed-1", Contact: label})
		add(err)
		_, err = b.s.UpdatePatient(b.ctx, call(ours), store.PatientUpdate{ID: p.ID, Etag: "old", Contact: &label})
		add(err)
		_, err = b.s.GetPatient(b.ctx, call(ours), "Quittenbaum") // a name typed where an id belongs
		add(err)
		_, err = b.s.CreateCase(b.ctx, call(ours), store.Case{PatientID: "Quittenbaum"})
		add(err)
		_, err = b.s.CreateCase(b.ctx, call(ours), store.Case{PatientID: p.ID, Clinician: "Quittenbaum"})
		add(err)
		_, err = b.s.CreateCase(b.ctx, call(ours), store.Case{PatientID: p.ID, Diagnosis: "Quittenbaum\xff\x00" + strings.Repeat("x", 99)})
		add(err)
		_, err = b.s.GetPatient(canceled, call(ours), p.ID)
		add(err)
		for _, err := range errs {
			if err == nil {
				b.Error("an error was expected")
				continue
			}
			text := err.Error()
			for _, w := range append(planted, "sqlite", "SQL", "pq:", "constraint", "UNIQUE", "sealed-1") {
				if strings.Contains(text, w) {
					b.Errorf("%q repeats %q", text, w)
				}
			}
		}
	},
	"a broken schema shows nothing of itself": func(b *bench) {
		p := plantedPatient(b, call(ours))
		raw := b.place.Raw(b.T)
		_, err := raw.Exec(`ALTER TABLE patients RENAME TO patients_gone`)
		b.must(err)
		_, err = b.s.GetPatient(b.ctx, call(ours), p.ID)
		wantKind(b, err, store.ErrInternal)
		if err != nil && (strings.Contains(err.Error(), "patients_gone") || strings.Contains(err.Error(), "relation") || strings.Contains(err.Error(), "table")) {
			b.Errorf("%q shows the schema", err)
		}
	},
}

// twoReplicasStart opens one empty database from several places at once; all
// must come up, and the schema stands once.
func twoReplicasStart(t *testing.T, backend Backend) {
	database := backend.Empty(t)
	clock := NewClock()
	const replicas = 3
	var wg sync.WaitGroup
	stores := make([]*store.Store, replicas)
	for i := range replicas {
		wg.Go(func() {
			s, err := store.Open(t.Context(), store.Config{Database: database, Keys: TestKeys(t), Clock: clock.Now})
			if err != nil {
				t.Error(err)
				return
			}
			stores[i] = s
		})
	}
	wg.Wait()
	for i, s := range stores {
		if s == nil {
			continue
		}
		if i == 0 {
			CreatePractice(t, s, ours)
		}
		if _, err := s.GetPractice(t.Context(), call(ours)); err != nil {
			t.Errorf("replica %d: %v", i, err)
		}
		if err := s.Close(); err != nil {
			t.Error(err)
		}
	}
}
