package main

import (
	"errors"
	"io"
	"net/http"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"

	client "github.com/visitwright/visitwright/clients/go"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
	"github.com/visitwright/visitwright/store/access"
)

// connect is a client of the running service with the token of a role.
func (h *home) connect(s *service, role store.Role) (*client.Client, string) {
	h.t.Helper()
	kept, err := access.LoadCredentials(filepath.Join(h.dir, access.CredentialsFile))
	if err != nil {
		h.t.Fatal(err)
	}
	token, found := kept.Token(role)
	if !found {
		h.t.Fatalf("no token of role %s", role)
	}
	c, err := client.Connect(s.address, client.Options{Token: token})
	if err != nil {
		h.t.Fatal(err)
	}
	h.t.Cleanup(func() { _ = c.Close() })
	return c, "practices/" + kept.Practice
}

func TestTheServiceStopsCleanlyOnBothSignals(t *testing.T) {
	for _, sent := range []os.Signal{syscall.SIGTERM, syscall.SIGINT} {
		h := newHome(t)
		s := h.serve()
		if err := s.cmd.Process.Signal(sent); err != nil {
			t.Fatal(err)
		}
		if code := s.ended(t); code != exitDone {
			t.Errorf("%v: exit %d, want 0\n%s", sent, code, s.log)
		}
	}
}

func TestServingOutsideThisMachineNeedsTLSAndLeavesNothingBehind(t *testing.T) {
	h := newHome(t)
	a := h.program("serve", "--listen", "0.0.0.0:0")
	if a.code != exitRefused || !strings.Contains(a.err, "--tls-cert") {
		t.Errorf("exit %d: %s", a.code, a.err)
	}
	if entries, err := os.ReadDir(h.dir); err != nil || len(entries) > 0 {
		t.Errorf("the data folder holds %v (%v), want nothing", entries, err)
	}
}

func TestHealthAndMetricsNeedNoTokenAndShowNobody(t *testing.T) {
	h := newHome(t)
	s := h.serve("--metrics", "127.0.0.1:0")
	conn, err := grpc.NewClient(s.address, grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close() }()
	reply, err := healthpb.NewHealthClient(conn).Check(t.Context(), &healthpb.HealthCheckRequest{Service: "visitwright.v1.PlannerService"})
	if err != nil || reply.GetStatus() != healthpb.HealthCheckResponse_SERVING {
		t.Fatalf("%v, %v", reply, err)
	}
	c, parent := h.connect(s, store.RoleClinician)
	if _, err := c.Planner.CreatePatient(t.Context(), &vw.CreatePatientRequest{Parent: parent, Patient: &vw.Patient{Reference: "INVENTED-77"}}); err != nil {
		t.Fatal(err)
	}
	page, err := http.Get("http://" + s.metrics)
	if err != nil {
		t.Fatal(err)
	}
	text, err := io.ReadAll(page.Body)
	if err = errors.Join(err, page.Body.Close()); err != nil {
		t.Fatal(err)
	}
	if !strings.Contains(string(text), `visitwright_calls_total{code="OK",method="/visitwright.v1.PlannerService/CreatePatient"} 1`) {
		t.Errorf("the call is not counted:\n%s", text)
	}
	if !strings.Contains(string(text), `go_sql_open_connections{db_name="sqlite-readers"}`) {
		t.Error("the database's pools are not counted")
	}
	for _, secret := range []string{"INVENTED-77", "my-practice", "patients/"} {
		if strings.Contains(string(text), secret) {
			t.Errorf("the metrics show %q", secret)
		}
	}
}

func TestTheLogNamesCallsAndNoPatient(t *testing.T) {
	h := newHome(t)
	s := h.serve()
	c, parent := h.connect(s, store.RoleReception)
	label, phone := "Greta Invented", "0555-123456"
	request := &vw.CreatePatientRequest{Parent: parent, Patient: &vw.Patient{Reference: "INVENTED-78", Label: &label, Phone: &phone}}
	if _, err := c.Planner.CreatePatient(t.Context(), request); err != nil {
		t.Fatal(err)
	}
	if _, err := c.Planner.CreatePatient(t.Context(), request); err == nil { // the reference is taken
		t.Fatal("two patients with one reference")
	}
	if _, err := c.Planner.AcceptOption(t.Context(), &vw.AcceptOptionRequest{Name: parent + "/cases/c1/plans/1", Option: "one-visit"}); client.ReasonOf(err) != "ROLE_NOT_ALLOWED" {
		t.Fatalf("reception accepted an option: %v", err)
	}
	if err := s.cmd.Process.Signal(syscall.SIGTERM); err != nil {
		t.Fatal(err)
	}
	s.ended(t)
	log := s.log.String()
	for _, want := range []string{`"method":"/visitwright.v1.PlannerService/CreatePatient"`, `"code":"OK"`, `"reason":"PATIENT_REFERENCE_TAKEN"`, `"reason":"ROLE_NOT_ALLOWED"`} {
		if !strings.Contains(log, want) {
			t.Errorf("the log lacks %s:\n%s", want, log)
		}
	}
	for _, secret := range []string{"Greta", "0555", "INVENTED-78", "vw1."} {
		if strings.Contains(log, secret) {
			t.Errorf("the log shows %q:\n%s", secret, log)
		}
	}
}

func TestWhatWasAcknowledgedIsThereAfterAKill(t *testing.T) {
	h := newHome(t)
	acknowledged := map[string]string{} // reference -> name
	for round := range 3 {
		s := h.serve("--rate", "100000", "--burst", "100000")
		c, parent := h.connect(s, store.RoleReception)
		for reference, name := range acknowledged {
			p, err := c.Planner.GetPatient(t.Context(), &vw.GetPatientRequest{Name: name})
			if err != nil || p.GetReference() != reference {
				t.Fatalf("round %d: %s was acknowledged and is gone: %v", round, reference, err)
			}
		}
		// The program is killed while patients are being added.
		added := make(chan [2]string, 1000)
		go func() {
			defer close(added)
			for i := 0; ; i++ {
				reference := "K-" + string(rune('a'+round)) + "-" + strconv.Itoa(i)
				p, err := c.Planner.CreatePatient(t.Context(), &vw.CreatePatientRequest{Parent: parent, Patient: &vw.Patient{Reference: reference}})
				if err != nil {
					return
				}
				added <- [2]string{p.GetReference(), p.GetName()}
			}
		}()
		for n := 0; n < 40; n++ {
			pair, more := <-added
			if !more {
				t.Fatal("adding ended early")
			}
			acknowledged[pair[0]] = pair[1]
		}
		if err := s.cmd.Process.Kill(); err != nil {
			t.Fatal(err)
		}
		s.ended(t)
		for pair := range added {
			acknowledged[pair[0]] = pair[1]
		}
	}
	if out := h.must("audit", "verify"); !strings.Contains(out, "whole") {
		t.Errorf("after three kills: %s", out)
	}
}

func TestAWrongTokenLearnsNothing(t *testing.T) {
	h := newHome(t)
	s := h.serve()
	for _, token := range []string{"", "x", "vw1.my-practice.0000000000000000.AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA"} {
		c, err := client.Connect(s.address, client.Options{Token: token})
		if err != nil {
			t.Fatal(err)
		}
		_, err = c.Planner.GetCase(t.Context(), &vw.GetCaseRequest{Name: "not even a name"})
		var refused *client.Error
		if !errors.As(err, &refused) || refused.Code != codes.Unauthenticated {
			t.Errorf("token %q: %v, want UNAUTHENTICATED before anything is said about the name", token, err)
		}
		if err := c.Close(); err != nil {
			t.Error(err)
		}
	}
}
