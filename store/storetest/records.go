package storetest

import (
	"bytes"
	"errors"
	"fmt"
	"reflect"
	"strings"
	"sync"
	"testing"

	"github.com/visitwright/visitwright/store"
)

var recordTests = map[string]func(*bench){
	"a patient comes back as kept": func(b *bench) {
		in := store.Patient{Reference: "P-1001", WeightGrams: 71500, BirthYear: 1961,
			Contact: store.Contact{Label: "Zwetschkenbaum", Phone: "+43 1 555 0171", Address: "Teststrasse 9",
				Guardian: &store.Guardian{Label: "Obstgarten", Relation: "parent", Phone: "0043 1 555 0172"}},
			Alerts:      []store.Alert{{Kind: "latex", Note: "hives"}},
			Document:    []byte{0, 1, 2},
			ExternalIDs: []store.ExternalID{{System: "diary", Value: "77"}}}
		made, err := b.s.CreatePatient(b.ctx, call(ours), in)
		b.must(err)
		got, err := b.s.GetPatient(b.ctx, call(ours), made.ID)
		b.must(err)
		if !reflect.DeepEqual(made, got) {
			b.Errorf("made %+v\nread %+v", made, got)
		}
		if !got.CreateTime.Equal(Start) {
			b.Errorf("created at %v, want the store's clock %v", got.CreateTime, Start)
		}
	},
	"the practice's own reference is taken once, whatever its case": func(b *bench) {
		b.patient(ours, "Ref-A")
		_, err := b.s.CreatePatient(b.ctx, call(ours), store.Patient{Reference: "REF-a"})
		wantProblem(b, err, store.ErrExists, "reference")
		b.patient(theirs, "ref-A") // another practice may use it
	},
	"a case is found by its name in another system, in its own practice only": func(b *bench) {
		x := store.ExternalID{System: "diary", Value: "77"}
		p := b.patient(ours, "a")
		c, err := b.s.CreateCase(b.ctx, call(ours), store.Case{PatientID: p.ID, ExternalIDs: []store.ExternalID{x}})
		b.must(err)
		find := func(practice string, q store.CaseQuery) int {
			q.External = x
			found, next, err := b.s.ListCases(b.ctx, call(practice), q)
			b.must(err)
			if next != "" || len(found) == 1 && found[0].ID != c.ID {
				b.Errorf("found %+v, next %q", found, next)
			}
			return len(found)
		}
		other := b.patient(ours, "b")
		for want, q := range map[int][]store.CaseQuery{
			1: {{}, {OpenOnly: true}, {PatientID: p.ID}},
			0: {{PatientID: other.ID}, {Page: store.Page{After: c.ID}}},
		} {
			for _, q := range q {
				if n := find(ours, q); n != want {
					b.Errorf("%+v finds %d, want %d", q, n, want)
				}
			}
		}
		if n := find(theirs, store.CaseQuery{}); n != 0 {
			b.Errorf("another practice finds %d", n)
		}
		_, err = b.s.CloseCase(b.ctx, call(ours), store.CaseClosing{ID: c.ID, Reason: store.ClosedLost})
		b.must(err)
		if n := find(ours, store.CaseQuery{OpenOnly: true}); n != 0 {
			b.Error("a closed case is found among the open ones")
		}
	},
	"patients and cases are read by their ids, in their own practice only": func(b *bench) {
		p, q, other := b.patient(ours, "a"), b.patient(ours, "b"), b.patient(theirs, "c")
		c, err := b.s.CreateCase(b.ctx, call(ours), store.Case{PatientID: p.ID})
		b.must(err)
		d, err := b.s.CreateCase(b.ctx, call(theirs), store.Case{PatientID: other.ID})
		b.must(err)
		patients, next, err := b.s.SearchPatients(b.ctx, call(ours), store.PatientQuery{IDs: []string{q.ID, other.ID, p.ID, "none"}, Page: store.Page{Size: 1}})
		b.must(err)
		if len(patients) != 1 || patients[0].ID != p.ID || next == "" {
			b.Errorf("the first page: %+v, next %q", patients, next)
		}
		patients, next, err = b.s.SearchPatients(b.ctx, call(ours), store.PatientQuery{IDs: []string{q.ID, other.ID, p.ID}, Page: store.Page{After: next}})
		b.must(err)
		if len(patients) != 1 || patients[0].ID != q.ID || next != "" {
			b.Errorf("the second page: %+v, next %q", patients, next)
		}
		for want, query := range map[int]store.CaseQuery{
			1: {IDs: []string{c.ID, d.ID}, OpenOnly: true, PatientID: p.ID},
			0: {IDs: []string{c.ID}, PatientID: q.ID},
		} {
			if cases, _, err := b.s.ListCases(b.ctx, call(ours), query); err != nil || len(cases) != want {
				b.Errorf("%+v finds %d cases (%v), want %d", query, len(cases), err, want)
			}
		}
	},
	"an external id belongs to one patient": func(b *bench) {
		x := []store.ExternalID{{System: "diary", Value: "1"}}
		p, err := b.s.CreatePatient(b.ctx, call(ours), store.Patient{Reference: "a", ExternalIDs: x})
		b.must(err)
		_, err = b.s.CreatePatient(b.ctx, call(ours), store.Patient{Reference: "b", ExternalIDs: x})
		wantProblem(b, err, store.ErrExists, "external_ids")
		id, err := b.s.FindExternal(b.ctx, call(ours), "patient", x[0])
		b.must(err)
		if id != p.ID {
			b.Errorf("found %s, want %s", id, p.ID)
		}
		none := []store.ExternalID{}
		_, err = b.s.UpdatePatient(b.ctx, call(ours), store.PatientUpdate{ID: p.ID, Etag: p.Etag, ExternalIDs: &none})
		b.must(err)
		_, err = b.s.CreatePatient(b.ctx, call(ours), store.Patient{Reference: "b", ExternalIDs: x}) // now free
		b.must(err)
	},
	"of two people who edit one patient the second is told": func(b *bench) {
		p := b.patient(ours, "a")
		w1, w2 := 60000, 61000
		first, err := b.s.UpdatePatient(b.ctx, call(ours), store.PatientUpdate{ID: p.ID, Etag: p.Etag, WeightGrams: &w1})
		b.must(err)
		_, err = b.s.UpdatePatient(b.ctx, call(ours), store.PatientUpdate{ID: p.ID, Etag: p.Etag, WeightGrams: &w2})
		wantKind(b, err, store.ErrStaleEtag)
		got, err := b.s.GetPatient(b.ctx, call(ours), p.ID)
		b.must(err)
		if got.WeightGrams != w1 || got.Etag != first.Etag {
			b.Errorf("weight %d etag %s, want the first writer's %d %s", got.WeightGrams, got.Etag, w1, first.Etag)
		}
	},
	"no update is lost when many count one field up":   lostUpdate,
	"patients are found by label, phone and reference": findPatients,
	"pages of patients hold each patient once":         pagePatients,
	"label, phone and address lie sealed":              sealedAtRest,
	"a sealed value moved to another patient does not open": func(b *bench) {
		p1, p2 := b.patient(ours, "a"), b.patient(ours, "b")
		raw := b.place.Raw(b.T)
		_, err := raw.Exec(fmt.Sprintf(`UPDATE patients SET sealed = (SELECT sealed FROM patients WHERE id = '%s') WHERE id = '%s'`, p1.ID, p2.ID))
		b.must(err)
		_, err = b.s.GetPatient(b.ctx, call(ours), p2.ID)
		wantKind(b, err, store.ErrSealed)
		_, err = b.s.GetPatient(b.ctx, call(ours), p1.ID)
		b.must(err)
	},
	"what is outside the limits changes nothing": func(b *bench) {
		for name, p := range map[string]store.Patient{
			"reference":    {Reference: " "},
			"weight_grams": {Reference: "x", WeightGrams: 700_000}, // 700 kg
			"external_ids": {Reference: "x", ExternalIDs: []store.ExternalID{{System: "s"}}},
		} {
			_, err := b.s.CreatePatient(b.ctx, call(ours), p)
			wantProblem(b, err, store.ErrInvalid, name)
		}
		list, _, err := b.s.SearchPatients(b.ctx, call(ours), store.PatientQuery{})
		b.must(err)
		if len(list) != 0 {
			b.Errorf("%d patients were kept", len(list))
		}
	},
	"a text that PostgreSQL cannot hold is an error of the caller": func(b *bench) {
		p := b.patient(ours, "a")
		c, err := b.s.CreateCase(b.ctx, call(ours), store.Case{PatientID: p.ID, Diagnosis: "a\x00b"})
		if err == nil { // SQLite holds it
			got, err := b.s.GetCase(b.ctx, call(ours), c.ID)
			b.must(err)
			if got.Diagnosis != "a\x00b" {
				b.Errorf("kept %q", got.Diagnosis)
			}
			return
		}
		wantKind(b, err, store.ErrInvalid)
	},
	"a case goes from referral to its end": func(b *bench) {
		p := b.patient(ours, "a")
		in := store.Case{PatientID: p.ID, Referral: &store.Referral{From: "Dr Beispiel", Question: "calcified?", Provisional: true},
			BegunElsewhere: &store.BegunElsewhere{Date: "2026-02-20", Dressing: "unknown"}}
		c, err := b.s.CreateCase(b.ctx, call(ours), in)
		b.must(err)
		if c.State != store.CaseReferred || c.Tooth != 0 {
			b.Errorf("a new case is %s of tooth %d, want referred, not yet identified", c.State, c.Tooth)
		}
		tooth := 46
		c, err = b.s.UpdateCase(b.ctx, call(ours), store.CaseUpdate{ID: c.ID, Etag: c.Etag, Tooth: &tooth})
		b.must(err)
		closed, err := b.s.CloseCase(b.ctx, call(ours), store.CaseClosing{ID: c.ID, Etag: c.Etag, Reason: store.ClosedExtracted, On: "2026-03-03", Note: "crack"})
		b.must(err)
		got, err := b.s.GetCase(b.ctx, call(ours), c.ID)
		b.must(err)
		if !reflect.DeepEqual(got, closed.Case) {
			b.Errorf("closed %+v\nread   %+v", closed.Case, got)
		}
		if got.ClosingReason != store.ClosedExtracted || got.ClosedOn != "2026-03-03" || got.Referral.From != "Dr Beispiel" {
			b.Errorf("read %+v", got)
		}
		_, err = b.s.CloseCase(b.ctx, call(ours), store.CaseClosing{ID: c.ID, Reason: store.ClosedLost})
		wantKind(b, err, store.ErrWrongState)
		_, err = b.s.UpdateCase(b.ctx, call(ours), store.CaseUpdate{ID: c.ID, Etag: got.Etag, Tooth: &tooth})
		wantKind(b, err, store.ErrWrongState)
	},
	"a case cannot be closed by an update, nor with a primary tooth": func(b *bench) {
		c := b.openCase(ours)
		state, primary := store.CaseClosed, 55
		_, err := b.s.UpdateCase(b.ctx, call(ours), store.CaseUpdate{ID: c.ID, Etag: c.Etag, State: &state})
		wantProblem(b, err, store.ErrInvalid, "state")
		_, err = b.s.UpdateCase(b.ctx, call(ours), store.CaseUpdate{ID: c.ID, Etag: c.Etag, Tooth: &primary})
		wantProblem(b, err, store.ErrInvalid, "tooth")
	},
	"a case that somebody else changed meanwhile stays as it is": func(b *bench) {
		c := b.openCase(ours)
		first, second := "necrotic", "irreversible-pulpitis"
		_, err := b.s.UpdateCase(b.ctx, call(ours), store.CaseUpdate{ID: c.ID, Etag: c.Etag, Diagnosis: &first})
		b.must(err)
		_, err = b.s.UpdateCase(b.ctx, call(ours), store.CaseUpdate{ID: c.ID, Etag: c.Etag, Diagnosis: &second})
		wantKind(b, err, store.ErrStaleEtag)
		got, err := b.s.GetCase(b.ctx, call(ours), c.ID)
		b.must(err)
		if got.Diagnosis != first {
			b.Errorf("diagnosis %q, want %q", got.Diagnosis, first)
		}
	},
	"settings and clinicians have etags": func(b *bench) {
		p, err := b.s.GetPractice(b.ctx, call(ours))
		b.must(err)
		zone := "America/Sao_Paulo"
		p2, err := b.s.UpdatePractice(b.ctx, call(ours), store.PracticeUpdate{Etag: p.Etag, Zone: &zone, Settings: []byte(`{"grid":5}`)})
		b.must(err)
		if p2.Zone != zone || p2.Etag == p.Etag {
			b.Errorf("updated %+v", p2)
		}
		_, err = b.s.UpdatePractice(b.ctx, call(ours), store.PracticeUpdate{Etag: p.Etag, Zone: &zone})
		wantKind(b, err, store.ErrStaleEtag)
		zone = "Mars/Olympus"
		_, err = b.s.UpdatePractice(b.ctx, call(ours), store.PracticeUpdate{Etag: p2.Etag, Zone: &zone})
		wantProblem(b, err, store.ErrInvalid, "zone")
		c, err := b.s.PutClinician(b.ctx, call(ours), store.Clinician{Name: "Clinician One", Protocols: []string{"primary-treatment"}, Active: true})
		b.must(err)
		got, err := b.s.GetClinician(b.ctx, call(ours), c.ID)
		b.must(err)
		if !reflect.DeepEqual(got, c) {
			b.Errorf("made %+v\nread %+v", c, got)
		}
		c.Name = "Clinician Two"
		_, err = b.s.PutClinician(b.ctx, call(ours), c)
		b.must(err)
		_, err = b.s.PutClinician(b.ctx, call(ours), c)
		wantKind(b, err, store.ErrStaleEtag)
	},
}

// lostUpdate is the idea of dex's storage conformance suite: parallel
// read-modify-write of one record, each retried when it was overtaken.
func lostUpdate(b *bench) {
	p := b.patient(ours, "counter")
	const writers, each = 8, 10
	var wg sync.WaitGroup
	for range writers {
		wg.Go(func() {
			for range each {
				for {
					got, err := b.s.GetPatient(b.ctx, call(ours), p.ID)
					if err != nil {
						b.Error(err)
						return
					}
					w := got.WeightGrams + 1
					_, err = b.s.UpdatePatient(b.ctx, call(ours), store.PatientUpdate{ID: p.ID, Etag: got.Etag, WeightGrams: &w})
					if err == nil {
						break
					}
					if !errors.Is(err, store.ErrStaleEtag) && !errors.Is(err, store.ErrBusy) {
						b.Error(err)
						return
					}
				}
			}
		})
	}
	wg.Wait()
	got, err := b.s.GetPatient(b.ctx, call(ours), p.ID)
	b.must(err)
	if got.WeightGrams != writers*each {
		b.Errorf("%d updates counted, want %d", got.WeightGrams, writers*each)
	}
}

func findPatients(b *bench) {
	add := func(reference, label, phone string) {
		_, err := b.s.CreatePatient(b.ctx, call(ours), store.Patient{Reference: reference, Contact: store.Contact{Label: label, Phone: phone}})
		b.must(err)
	}
	add("K-1", "Anna Müllerin", "+43 660 1234567")
	add("K-2", "Anton Muller-Test", "0660 7654321")
	add("X-3", "Berta Beispiel", "")
	_, err := b.s.CreatePatient(b.ctx, call(theirs), store.Patient{Reference: "K-9", Contact: store.Contact{Label: "Anna Fremd"}})
	b.must(err)
	for _, c := range []struct {
		q    store.PatientQuery
		want string
	}{
		{store.PatientQuery{}, "K-1 K-2 X-3"},
		{store.PatientQuery{Reference: "k"}, "K-1 K-2"},
		{store.PatientQuery{Reference: "k-2"}, "K-2"},
		{store.PatientQuery{Label: "müllerin"}, "K-1"},
		{store.PatientQuery{Label: "MULLER"}, "K-1 K-2"}, // six letters begin both
		{store.PatientQuery{Label: "ann"}, "K-1"},
		{store.PatientQuery{Label: "mul ant"}, "K-2"},
		{store.PatientQuery{Label: "fremd"}, ""},
		{store.PatientQuery{Phone: "0043 660 123 45 67"}, "K-1"},
		{store.PatientQuery{Phone: "654321"}, "K-2"}, // the last six digits
		{store.PatientQuery{Phone: "123456"}, ""},
	} {
		got, _, err := b.s.SearchPatients(b.ctx, call(ours), c.q)
		b.must(err)
		var refs []string
		for _, p := range got {
			refs = append(refs, p.Reference)
		}
		if s := strings.Join(refs, " "); s != c.want {
			b.Errorf("%+v finds %q, want %q", c.q, s, c.want)
		}
	}
	_, _, err = b.s.SearchPatients(b.ctx, call(ours), store.PatientQuery{Phone: "12345"})
	wantProblem(b, err, store.ErrInvalid, "phone")
}

func pagePatients(b *bench) {
	want := map[string]bool{}
	for i := range 23 {
		ref := fmt.Sprintf("R%02d", (i*7)%23)
		want[ref] = true
		_, err := b.s.CreatePatient(b.ctx, call(ours), store.Patient{Reference: ref, Contact: store.Contact{Label: "Same Label"}})
		b.must(err)
	}
	for _, q := range []store.PatientQuery{{}, {Reference: "r"}, {Label: "label"}, {Label: "same label"}} {
		got := map[string]bool{}
		last := ""
		q.Page.Size = 5
		for pages := 1; ; pages++ {
			list, next, err := b.s.SearchPatients(b.ctx, call(ours), q)
			b.must(err)
			for _, p := range list {
				if got[p.Reference] || p.Reference <= last {
					b.Errorf("%+v: %s after %s", q, p.Reference, last)
				}
				got[p.Reference], last = true, p.Reference
			}
			if next == "" {
				if pages != 5 { // 23 in fives
					b.Errorf("%d pages, want 5", pages)
				}
				break
			}
			q.Page.After = next
		}
		if !reflect.DeepEqual(got, want) {
			b.Errorf("%+v: %d patients, want %d", q, len(got), len(want))
		}
	}
	_, _, err := b.s.SearchPatients(b.ctx, call(ours), store.PatientQuery{Page: store.Page{After: "!"}})
	wantProblem(b, err, store.ErrInvalid, "page")
}

// planted are the words that must not lie open anywhere.
var planted = []string{"Quittenbaum", "quittenbaum", "5550199", "555 0199", "Marillengasse", "Kirschkern"}

func plantedPatient(b *bench, c store.Call) store.Patient {
	b.Helper()
	p, err := b.s.CreatePatient(b.ctx, c, store.Patient{Reference: "sealed-1",
		Contact: store.Contact{Label: "Quittenbaum", Phone: "555 0199", Address: "Marillengasse 3",
			Guardian: &store.Guardian{Label: "Kirschkern"}},
		Alerts: []store.Alert{{Kind: "latex", Note: "Quittenbaum says so"}}})
	b.must(err)
	return p
}

func sealedAtRest(b *bench) {
	c := call(ours)
	c.RequestID, c.RequestHash = "sealed-1", store.HashRequest([]byte("x")) // the stored answer holds the patient too
	p := plantedPatient(b, c)
	cs, err := b.s.CreateCase(b.ctx, call(ours), store.Case{PatientID: p.ID, Referral: &store.Referral{From: "Kirschkern"}})
	b.must(err)
	_, err = b.s.SaveAssessment(b.ctx, call(ours), store.NewAssessment{CaseID: cs.ID, Document: []byte("Quittenbaum")})
	b.must(err)
	_, err = b.s.SavePlanRevision(b.ctx, call(ours), store.NewPlanRevision{CaseID: cs.ID, Document: []byte("Quittenbaum"), Recommended: "a"})
	b.must(err)
	_, _, err = b.s.SearchPatients(b.ctx, call(ours), store.PatientQuery{Label: "quittenbaum"})
	b.must(err)
	b.must(b.s.FlushAudit(b.ctx))
	at := b.place.Bytes(b.T)
	if !bytes.Contains(at, []byte("sealed-1")) {
		b.Fatal("the test reads something that does not hold the patient's row")
	}
	for _, w := range planted {
		if bytes.Contains(at, []byte(w)) {
			b.Errorf("%q lies open in the database", w)
		}
	}
}

func wantKind(t testing.TB, err, kind error) {
	t.Helper()
	if !errors.Is(err, kind) {
		t.Errorf("got %v, want %v", err, kind)
	}
}

func wantProblem(t testing.TB, err, kind error, field string) {
	t.Helper()
	var p *store.Problem
	if !errors.As(err, &p) || !errors.Is(err, kind) || p.Field != field {
		t.Errorf("got %v, want %v of field %s", err, kind, field)
	}
}
