package main

import (
	"context"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/google/uuid"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/testing/protocmp"
	"google.golang.org/protobuf/types/known/timestamppb"

	client "github.com/visitwright/visitwright/clients/go"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
	"github.com/visitwright/visitwright/store/pgtest"
)

// monday9 is when the visit of these tests begins.
var monday9 = time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)

// chairScript is a visit call by call, as a tablet sends it.
func chairScript(name string) []func(*client.Client) (*vw.ChairVisit, error) {
	at := func(minute int) *timestamppb.Timestamp {
		return timestamppb.New(monday9.Add(time.Duration(minute) * time.Minute))
	}
	mark := func(minute int, m *vw.ChairMark) func(*client.Client) (*vw.ChairVisit, error) {
		m.Id, m.Time = uuid.NewString(), at(minute)
		return func(c *client.Client) (*vw.ChairVisit, error) {
			return c.Chair.AddMarks(context.Background(), &vw.AddMarksRequest{Name: name, Marks: []*vw.ChairMark{m}})
		}
	}
	request := uuid.NewString()
	return []func(*client.Client) (*vw.ChairVisit, error){
		mark(3, &vw.ChairMark{What: &vw.ChairMark_StepDone{StepDone: &vw.StepMark{Step: "identify"}}}),
		mark(26, &vw.ChairMark{What: &vw.ChairMark_StageDone{StageDone: &vw.StageMark{Stage: "open"}}}),
		mark(38, &vw.ChairMark{What: &vw.ChairMark_Event{Event: &vw.EventMark{Event: "blocked-canal", Canal: "ML", Third: "apical"}}}),
		mark(50, &vw.ChairMark{What: &vw.ChairMark_Event{Event: &vw.EventMark{Event: "further-canal", Canal: "DL"}}}),
		mark(52, &vw.ChairMark{What: &vw.ChairMark_Check{Check: &vw.CheckMark{Numb: proto.Bool(true)}}}),
		func(c *client.Client) (*vw.ChairVisit, error) {
			return c.Chair.EndVisit(context.Background(), &vw.EndVisitRequest{Name: name, EndTime: at(70), RequestId: request,
				Closing: &vw.VisitClosing{Medicament: "calcium-hydroxide", Temporary: "double-seal", ForcedBecause: "the patient must stop"}})
		},
	}
}

// The service is killed after each acknowledged call of a visit, without a
// chance to tidy up. When it is back the visit is where it was, and a tablet
// that sends its last call again changes nothing.
func TestAServerKilledBetweenTwoCallsOfAVisitLosesNothing(t *testing.T) {
	for name, flags := range map[string]func(*testing.T) []string{
		"embedded":   func(*testing.T) []string { return nil },
		"postgresql": func(t *testing.T) []string { return []string{"--database", pgtest.Empty(t)} },
	} {
		t.Run(name, func(t *testing.T) { killBetweenCalls(t, flags(t)) })
	}
}

func killBetweenCalls(t *testing.T, flags []string) {
	h := newHome(t)
	s := h.serve(flags...)
	c, parent := h.connect(s, store.RoleClinician)
	restart := func() {
		t.Helper()
		if err := s.cmd.Process.Kill(); err != nil {
			t.Fatal(err)
		}
		s.ended(t)
		s = h.serve(flags...)
		c, _ = h.connect(s, store.RoleClinician)
	}
	of := plannedMolar(t, c, parent)
	begun, err := c.Chair.BeginVisit(t.Context(), &vw.BeginVisitRequest{Parent: of, IdentityConfirmed: true, AlertsConfirmed: true,
		BeginTime: timestamppb.New(monday9), AppointmentMinutes: 90, RequestId: uuid.NewString()})
	if err != nil {
		t.Fatal(err)
	}
	for i, call := range chairScript(begun.GetName()) {
		acknowledged, err := call(c)
		if err != nil {
			t.Fatalf("call %d: %v", i+1, err)
		}
		restart()
		there, err := c.Chair.GetVisit(t.Context(), &vw.GetVisitRequest{Name: begun.GetName(), AtTime: acknowledged.GetAnswer().GetTime()})
		if err != nil {
			t.Fatalf("after call %d and a kill: %v", i+1, err)
		}
		if d := cmp.Diff(acknowledged, there, protocmp.Transform()); d != "" {
			t.Errorf("after call %d and a kill the visit differs:\n%s", i+1, d)
		}
		again, err := call(c)
		if err != nil {
			t.Fatalf("call %d sent again: %v", i+1, err)
		}
		if again.GetMarkCount() != acknowledged.GetMarkCount() {
			t.Errorf("call %d sent again: %d entries, want %d", i+1, again.GetMarkCount(), acknowledged.GetMarkCount())
		}
	}
	listed, err := c.Chair.ListVisits(t.Context(), &vw.ListVisitsRequest{Parent: of})
	if err != nil || len(listed.GetVisits()) != 1 || listed.GetVisits()[0].GetPhase() != vw.ChairVisit_PHASE_ENDED {
		t.Errorf("in the end: %v, %v", listed, err)
	}
}

// plannedMolar opens the main case with a plan and returns its name.
func plannedMolar(t testing.TB, c *client.Client, parent string) string {
	t.Helper()
	must := func(err error) {
		t.Helper()
		if err != nil {
			t.Fatal(err)
		}
	}
	p, err := c.Planner.CreatePatient(t.Context(), &vw.CreatePatientRequest{Parent: parent, Patient: &vw.Patient{Reference: "R-" + strings.ToUpper(uuid.NewString()[:8])}})
	must(err)
	of, err := c.Planner.CreateCase(t.Context(), &vw.CreateCaseRequest{Parent: parent, Case: &vw.Case{Patient: p.GetName(), Tooth: &vw.Tooth{Iso: "46"},
		Diagnosis: &vw.Diagnosis{Pulpal: "necrosis", Apical: "asymptomatic-apical-periodontitis"}}})
	must(err)
	_, err = c.Planner.Assess(t.Context(), &vw.AssessRequest{Parent: of.GetName(), Findings: &vw.Findings{Factors: []string{"caries"}}})
	must(err)
	_, err = c.Planner.ProposePlan(t.Context(), &vw.ProposePlanRequest{Parent: of.GetName()})
	must(err)
	return of.GetName()
}
