package planner

import (
	"encoding/json"
	"os"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"
	"pgregory.net/rapid"

	"github.com/visitwright/visitwright/planner/anatomy"
	"github.com/visitwright/visitwright/planner/chairtime"
	"github.com/visitwright/visitwright/planner/difficulty"
	"github.com/visitwright/visitwright/planner/proposal"
	"github.com/visitwright/visitwright/planner/protocol"
	"github.com/visitwright/visitwright/planner/provenance"
	"github.com/visitwright/visitwright/planner/tooth"
	"github.com/visitwright/visitwright/planner/visits"
	"github.com/visitwright/visitwright/proto/requests"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// overTheWire is what a client gets of a message.
func overTheWire[M proto.Message](t interface{ Fatal(...any) }, m M) M {
	wire, err := proto.Marshal(m)
	if err != nil {
		t.Fatal(err)
	}
	out := m.ProtoReflect().New().Interface()
	if err := proto.Unmarshal(wire, out); err != nil {
		t.Fatal(err)
	}
	return out.(M)
}

var (
	ids      = rapid.StringMatching(`[a-z][a-z0-9-]{0,12}`)
	texts    = rapid.StringN(0, 20, 60)
	positive = rapid.Float64Range(0, 200)
	chances  = rapid.Float64Range(0, 1)
)

var someMinutes = rapid.Custom(func(t *rapid.T) visits.Minutes {
	return visits.Minutes{Median: positive.Draw(t, "median"), LogSD: chances.Draw(t, "log-sd"), Scaled: rapid.Bool().Draw(t, "scaled")}
})

var someBlock = rapid.Custom(func(t *rapid.T) visits.Block {
	b := visits.Block{Contact: positive.Draw(t, "contact"), Overlaps: rapid.SliceOfN(ids, 0, 2).Draw(t, "overlaps")}
	for range rapid.IntRange(0, 3).Draw(t, "once") {
		b.Once = append(b.Once, visits.Step{ID: ids.Draw(t, "id"), Minutes: someMinutes.Draw(t, "minutes")})
	}
	for range rapid.IntRange(0, 3).Draw(t, "per-canal") {
		b.PerCanal = append(b.PerCanal, visits.CanalStep{ID: ids.Draw(t, "id"), Medians: rapid.SliceOfN(positive, 1, 4).Draw(t, "medians"), LogSD: chances.Draw(t, "sd"), Scaled: rapid.Bool().Draw(t, "scaled")})
	}
	for range rapid.IntRange(0, 2).Draw(t, "events") {
		b.Events = append(b.Events, visits.Event{ID: ids.Draw(t, "id"), PerCanal: rapid.Bool().Draw(t, "canal"), Probability: chances.Draw(t, "p"), Minutes: someMinutes.Draw(t, "m"), BarsFilling: rapid.Bool().Draw(t, "bars")})
	}
	return b
})

var someState = rapid.Custom(func(t *rapid.T) visits.State {
	return visits.State{Stage: rapid.IntRange(0, 9).Draw(t, "stage"), Canal: rapid.IntRange(0, 6).Draw(t, "canal"), Found: rapid.IntRange(0, 6).Draw(t, "found")}
})

var someModel = rapid.Custom(func(t *rapid.T) visits.Model {
	m := visits.Model{
		Protocol: ids.Draw(t, "protocol"), Tooth: "46", Begin: someState.Draw(t, "begin"), Start: someBlock.Draw(t, "start"),
		Canals: visits.CanalBelief{P: rapid.SliceOfN(chances, 2, 7).Draw(t, "p"), Expected: rapid.IntRange(1, 6).Draw(t, "expected"), Names: rapid.SliceOfN(ids, 1, 6).Draw(t, "names")},
		Factor: visits.Factor{CaseLogSD: chances.Draw(t, "case"), VisitLogSD: chances.Draw(t, "visit")},
		Cost:   visits.Cost{Work: 1, Overrun: positive.Draw(t, "overrun"), Idle: positive.Draw(t, "idle"), Visit: positive.Draw(t, "visit"), Unused: positive.Draw(t, "unused")},
		Grid:   visits.Grid{Least: 30, Most: rapid.IntRange(30, 480).Draw(t, "most"), Step: 15}, Bear: visits.Bear{Minutes: rapid.IntRange(0, 300).Draw(t, "bear"), Chance: 0.1},
		Horizon: rapid.IntRange(2, 8).Draw(t, "horizon"), Cap: rapid.IntRange(60, 960).Draw(t, "cap"), Clock: "nearest-minute",
	}
	for range rapid.IntRange(1, 4).Draw(t, "stages") {
		s := visits.Stage{ID: ids.Draw(t, "id"), Locates: rapid.Bool().Draw(t, "locates"), Work: someBlock.Draw(t, "work"), Discovery: chances.Draw(t, "discovery"),
			StopAfterCanal: rapid.Bool().Draw(t, "after"), Fills: rapid.Bool().Draw(t, "fills")}
		if rapid.Bool().Draw(t, "gate") {
			s.Gate = &visits.Gate{FirstVisit: chances.Draw(t, "first"), AfterDress: chances.Draw(t, "dress"), Check: someMinutes.Draw(t, "check")}
		}
		m.Stages = append(m.Stages, s)
		m.Stops = append(m.Stops, visits.Stop{ID: ids.Draw(t, "id"), Allowed: rapid.Bool().Draw(t, "allowed"), End: someBlock.Draw(t, "end"), Resume: someBlock.Draw(t, "resume")})
	}
	return m
})

// checkModel proves that nothing of a model is lost on the way, down to the
// last bit.
func checkModel(t *rapid.T) {
	want := someModel.Draw(t, "model")
	got := modelFromProto(overTheWire(t, modelToProto(want)))
	if diff := cmp.Diff(want, got, cmpopts.EquateEmpty()); diff != "" {
		t.Fatalf("the model changed on the way:\n%s", diff)
	}
}

func TestAModelArrivesAsItWasSent(t *testing.T) { rapid.Check(t, checkModel) }

func FuzzModel(f *testing.F) { f.Fuzz(rapid.MakeFuzz(checkModel)) }

func checkPolicy(t *rapid.T) {
	var want []visits.Entry
	for range rapid.IntRange(0, 5).Draw(t, "rows") {
		want = append(want, visits.Entry{Visit: rapid.IntRange(1, 8).Draw(t, "visit"), State: someState.Draw(t, "state"), Barred: rapid.Bool().Draw(t, "barred"), Stop: ids.Draw(t, "stop"),
			Rule:      rapid.SampledFrom([]visits.Rule{visits.Chosen, visits.NotAllowed, visits.MayNotBegin}).Draw(t, "rule"),
			LeastLeft: rapid.OneOf(rapid.IntRange(0, 480), rapid.Just(visits.Never)).Draw(t, "left"), Reached: chances.Draw(t, "reached"), GoOn: chances.Draw(t, "go")})
	}
	got := policyFromProto(overTheWire(t, policyToProto(want)))
	if diff := cmp.Diff(want, got, cmpopts.EquateEmpty()); diff != "" {
		t.Fatalf("the go-on table changed on the way:\n%s", diff)
	}
}

func TestAGoOnTableArrivesAsItWasSent(t *testing.T) { rapid.Check(t, checkPolicy) }

func checkQuantities(t *rapid.T) {
	mark := provenance.Mark{Kind: rapid.SampledFrom([]provenance.Kind{provenance.Published, provenance.Practice, provenance.Memory, provenance.Assumed, provenance.Invented, provenance.Local}).Draw(t, "kind"), Source: texts.Draw(t, "source")}
	if got := markFromProto(overTheWire(t, markToProto(mark))); got != mark {
		t.Fatalf("%v became %v", mark, got)
	}
	odds := proposal.Odds{P: chances.Draw(t, "p"), Words: texts.Draw(t, "words")}
	if got := oddsFromProto(overTheWire(t, oddsToProto(odds))); got != odds {
		t.Fatalf("%v became %v", odds, got)
	}
	dist := chairtime.Dist{First: rapid.IntRange(0, 90).Draw(t, "first"), P: rapid.SliceOfN(rapid.Float64Range(1e-9, 1), 1, 60).Draw(t, "cells"), Lost: chances.Draw(t, "lost")}
	if diff := cmp.Diff(dist, distFromProto(overTheWire(t, distToProto(dist)))); diff != "" {
		t.Fatalf("a distribution changed on the way:\n%s", diff)
	}
}

func TestFiguresArriveAsTheyWereSent(t *testing.T) { rapid.Check(t, checkQuantities) }

var days = rapid.StringMatching(`20[0-9]{2}-(0[1-9]|1[0-2])-(0[1-9]|1[0-9]|2[0-8])`)

func maybeDay(t *rapid.T, label string) string {
	return rapid.OneOf(rapid.Just(""), days).Draw(t, label)
}

func checkPatient(t *rapid.T) {
	var known []string
	for _, a := range proposal.Alerts() {
		known = append(known, a.ID)
	}
	want := store.Patient{
		Reference: ids.Draw(t, "reference"), WeightGrams: rapid.OneOf(rapid.Just(0), rapid.IntRange(2000, 350_000)).Draw(t, "weight"), BirthYear: rapid.OneOf(rapid.Just(0), rapid.IntRange(1900, 2026)).Draw(t, "year"),
		Contact: store.Contact{Label: texts.Draw(t, "label"), Phone: texts.Draw(t, "phone"), Address: texts.Draw(t, "address")}, Etag: ids.Draw(t, "etag"),
	}
	if rapid.Bool().Draw(t, "guardian") {
		want.Contact.Guardian = &store.Guardian{Label: "x" + texts.Draw(t, "label"), Phone: texts.Draw(t, "phone"), Relation: texts.Draw(t, "relation"), Address: texts.Draw(t, "address")}
	}
	for range rapid.IntRange(0, 3).Draw(t, "alerts") {
		since, until := maybeDay(t, "since"), maybeDay(t, "until")
		if since > until && until != "" {
			since, until = until, since
		}
		want.Alerts = append(want.Alerts, store.Alert{Kind: rapid.SampledFrom(known).Draw(t, "kind"), Detail: ids.Draw(t, "detail"), Since: since, Until: until, Note: texts.Draw(t, "note")})
	}
	for range rapid.IntRange(0, 2).Draw(t, "external") {
		want.ExternalIDs = append(want.ExternalIDs, store.ExternalID{System: ids.Draw(t, "system"), Value: ids.Draw(t, "value")})
	}
	got, err := patientFromProto(overTheWire(t, patientToProto("p", want)))
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Fatalf("a patient changed on the way:\n%s", diff)
	}
}

func TestAPatientArrivesAsSent(t *testing.T) { rapid.Check(t, checkPatient) }

func FuzzPatient(f *testing.F) { f.Fuzz(rapid.MakeFuzz(checkPatient)) }

func shippedService(t interface{ Fatal(...any) }) *Service {
	shipped, err := protocol.Shipped()
	if err != nil {
		t.Fatal(err)
	}
	return &Service{shipped: shipped, computing: newComputing()}
}

func checkCase(t *rapid.T) {
	s := shippedService(t)
	want := store.Case{
		PatientID: "a1", Tooth: int(rapid.SampledFrom(append(tooth.All(), 0)).Draw(t, "tooth")), State: store.CaseReferred, Etag: ids.Draw(t, "etag"),
		RootDevelopment: rapid.SampledFrom([]string{"", "mature", "open-apex", "unknown"}).Draw(t, "root"), Clinician: rapid.SampledFrom([]string{"", "c1"}).Draw(t, "clinician"),
	}
	var diagnosis *vw.Diagnosis
	if rapid.Bool().Draw(t, "diagnosis") {
		diagnosis = &vw.Diagnosis{Pulpal: rapid.SampledFrom(s.shipped.PulpalDiagnoses()).Draw(t, "pulpal").ID, Apical: rapid.SampledFrom(s.shipped.ApicalDiagnoses()).Draw(t, "apical").ID,
			Provisional: rapid.Bool().Draw(t, "provisional")}
		combined, err := s.shipped.Combine(diagnosis.GetPulpal(), diagnosis.GetApical(), want.RootDevelopment == "open-apex")
		if err != nil {
			t.Fatal(err) // any two terms that are listed go together
		}
		want.Diagnosis = combined.ID
	}
	if rapid.Bool().Draw(t, "referral") {
		want.Referral = &store.Referral{From: texts.Draw(t, "from"), Question: texts.Draw(t, "question"), Urgency: rapid.SampledFrom([]string{"", "routine", "soon", "emergency"}).Draw(t, "urgency"),
			Restorer: rapid.SampledFrom([]string{"", "this-practice", "referrer"}).Draw(t, "restores"), Reviewer: rapid.SampledFrom([]string{"", "this-practice", "referrer"}).Draw(t, "reviews"),
			Received: maybeDay(t, "received"), Provisional: rapid.Bool().Draw(t, "letter")}
	}
	stop := ""
	if rapid.Bool().Draw(t, "begun") {
		stop = "unknown"
		want.BegunElsewhere = &store.BegunElsewhere{Date: maybeDay(t, "date"), Dressing: rapid.SampledFrom(s.shipped.Medicaments()).Draw(t, "dressing").ID, Temporary: "unknown", Note: texts.Draw(t, "note")}
	}
	document, err := caseDocument(diagnosis, stop)
	if err != nil {
		t.Fatal(err)
	}
	want.Document = document
	got, err := s.caseFromProto(Caller{requests.Caller{Call: store.Call{Practice: "p"}}}, overTheWire(t, caseToProto("p", want, tooth.ISO)))
	if err != nil {
		t.Fatal(err)
	}
	got.PatientID, got.State = want.PatientID, want.State // who and where is not the client's to say
	if diff := cmp.Diff(want, got, cmpopts.EquateEmpty()); diff != "" {
		t.Fatalf("a case changed on the way:\n%s", diff)
	}
}

func TestACaseArrivesAsSent(t *testing.T) { rapid.Check(t, checkCase) }

func FuzzCase(f *testing.F) { f.Fuzz(rapid.MakeFuzz(checkCase)) }

func TestSettingsAreReadBackAsTheyWereKept(t *testing.T) {
	want := &vw.PracticeSettings{
		Name: "practices/p/settings", Title: "Willow Lane", Zone: "Europe/Vienna", Notation: vw.ToothNotation_TOOTH_NOTATION_QUADRANT, Etag: `"4"`,
		Grid: &vw.LengthGrid{Least: 20, Most: 120, Step: 5}, Cost: &vw.Cost{Work: 1, Overrun: 2.5, Idle: 1}, CartridgeMl: proto.Float64(1.7), Microscope: true,
		Overrides: []*vw.FigureOverride{{Figure: "steps.shape.median", Value: 4.25, Source: "our log"}}, StepsOff: []string{"microscope"},
		Sequences:    []*vw.OwnSequence{{Sequence: "irrigation", Steps: []*vw.OwnStep{{Id: "rinse-a", Title: "Rinse", Minutes: &vw.Minutes{Median: 2, LogSd: .2, Scaled: true}}}}},
		Anaesthetics: []*vw.AnaestheticSolution{{Agent: "articaine", Percent: 4, Vasoconstrictor: "epinephrine", OneIn: 200000}}, UrgentInstruction: "Call.",
	}
	document, err := settingsDocument([]byte(`{"diary":{"x":1}}`), want)
	if err != nil {
		t.Fatal(err)
	}
	var parts map[string]json.RawMessage
	if err := json.Unmarshal(document, &parts); err != nil || len(parts) != 2 {
		t.Fatalf("kept %s, %v", document, err)
	}
	if strings.Contains(string(document), "Willow") {
		t.Error("what has a column of its own stands in the document too")
	}
	got, err := settingsToProto(store.Practice{ID: "p", Name: "Willow Lane", Zone: "Europe/Vienna", Notation: "quadrant", Etag: `"4"`, Settings: document})
	if err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(want, got, protocmp.Transform()); diff != "" {
		t.Errorf("settings changed:\n%s", diff)
	}
}

// demoInput is the case of the demo, with answers that leave much unknown.
func demoInput() proposal.Input {
	return proposal.Input{
		Tooth: 46, Diagnosis: "necrotic-lesion", Conditions: []string{"caries", "narrow-mesial-canals"}, Answers: difficulty.Answers{"root-curvature": "10-to-30"},
		Evidence: []anatomy.Evidence{{Sign: anatomy.FastBreak}},
		Patient:  proposal.Patient{WeightKg: 70, Alerts: []string{"latex"}, Bear: visits.Bear{Minutes: 150, Chance: .1}},
		Clinic: proposal.Clinic{Cost: visits.Cost{Work: 1, Overrun: 2, Idle: 1, Visit: 30, Unused: 20}, Grid: visits.Grid{Least: 30, Most: 180, Step: 15},
			Horizon: 4, Cap: 480, Edition: difficulty.Edition2022, Referral: difficulty.ReferNever},
	}
}

// The sheet that is written from a kept revision is the one that would have
// been written at once: nothing that a sheet needs is lost on the way, and
// nothing is computed anew.
func TestASheetFromAKeptPlanIsTheSheetOfThePlan(t *testing.T) {
	s := shippedService(t)
	in := demoInput()
	plan, err := proposal.Propose(in)
	if err != nil {
		t.Fatal(err)
	}
	message, err := s.describe(Caller{requests.Caller{Call: store.Call{Practice: "p"}}}, record{kept: store.Case{ID: "c", Tooth: 46}, settings: &vw.PracticeSettings{}, shown: tooth.ISO}, &vw.Assessment{}, plan)
	if err != nil {
		t.Fatal(err)
	}
	kept := planFromProto(overTheWire(t, message))
	for _, o := range plan.Options {
		for visit := 1; o.Feasible && visit <= len(o.Visits); visit++ {
			want, err := proposal.VisitSheet([]proposal.Part{{Input: in, Plan: plan, Option: o.ID, Visit: visit}})
			if err != nil {
				t.Fatal(err)
			}
			got, err := proposal.VisitSheet([]proposal.Part{{Input: in, Plan: kept, Option: o.ID, Visit: visit}})
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(want, got, cmpopts.EquateEmpty()); diff != "" {
				t.Errorf("%s, visit %d differs:\n%s", o.ID, visit, diff)
			}
		}
	}
}

// Anybody can simulate the plan again from its message: the model in it solves
// to the very lengths and odds beside it.
func TestTheModelInAPlanSolvesToThePlan(t *testing.T) {
	plan, err := proposal.Propose(demoInput())
	if err != nil {
		t.Fatal(err)
	}
	message := overTheWire(t, planToProto(plan))
	solved := 0
	for _, w := range message.GetWorkings().GetOptions() {
		model := message.GetWorkings().GetModel()
		if w.GetModel() != nil {
			model = w.GetModel()
		}
		option := visits.Option{EarliestCompletion: int(w.GetEarliestFillingVisit()), BookedAhead: int(w.GetBookedAhead())}
		for _, l := range w.GetFixedLengths() {
			option.Lengths = append(option.Lengths, int(l))
		}
		if w.GetTolerance() != nil {
			bear := toleranceFromProto(w.GetTolerance())
			option.Bear = &bear
		}
		got, err := visits.Solve(modelFromProto(model), option)
		if err != nil {
			t.Fatal(err)
		}
		if got.CostMicro != w.GetCostMicro() {
			t.Errorf("%s: solved again it costs %d, kept %d", w.GetOption(), got.CostMicro, w.GetCostMicro())
		}
		if diff := cmp.Diff(w.GetPolicy(), policyToProto(got.Table), protocmp.Transform()); diff != "" {
			t.Errorf("%s: the table differs:\n%s", w.GetOption(), diff)
		}
		solved++
	}
	if solved < 2 {
		t.Fatalf("only %d options carry their workings", solved)
	}
}

func TestEveryDefaultSaysWhereItComesFrom(t *testing.T) {
	all, err := defaults()
	if err != nil {
		t.Fatal(err)
	}
	for id, d := range all {
		if d.mark().Validate() != nil || d.Unit == "" || d.mark().Kind == provenance.Published {
			t.Errorf("%s: %+v", id, d)
		}
	}
}

// The words of the signs and the signs themselves must not part.
func TestEverySignHasWords(t *testing.T) {
	entries, err := words("evidence-signs")(nil)
	if err != nil {
		t.Fatal(err)
	}
	var have, want []string
	for _, e := range entries {
		have = append(have, e.GetId())
	}
	for _, s := range anatomy.Signs() {
		want = append(want, string(s))
	}
	slices.Sort(have)
	slices.Sort(want)
	if !slices.Equal(have, want) {
		t.Errorf("words for %v, signs %v", have, want)
	}
}

// Every caution that a plan can carry stands in the catalogue.
func TestEveryCautionHasWords(t *testing.T) {
	entries, err := words("cautions")(nil)
	if err != nil {
		t.Fatal(err)
	}
	var have []string
	for _, e := range entries {
		have = append(have, e.GetId())
	}
	files, err := os.ReadDir("proposal")
	if err != nil {
		t.Fatal(err)
	}
	found := 0
	for _, f := range files {
		if !strings.HasSuffix(f.Name(), ".go") || strings.HasSuffix(f.Name(), "_test.go") {
			continue
		}
		text, err := os.ReadFile("proposal/" + f.Name())
		if err != nil {
			t.Fatal(err)
		}
		for _, part := range strings.Split(string(text), `	add("`)[1:] {
			id, _, _ := strings.Cut(part, `"`)
			if found++; !slices.Contains(have, id) {
				t.Errorf("the caution %q has no words in the catalogue", id)
			}
		}
	}
	if found < 4 {
		t.Fatalf("only %d cautions were found in the source", found)
	}
}
