package server

import (
	"bytes"
	"log/slog"
	"strings"
	"testing"
)

func TestTheLogHidesWhatCouldSayWhoAPatientIs(t *testing.T) {
	var out bytes.Buffer
	log := NewLogger(&out, slog.LevelInfo)
	log.Info("call", "label", "Greta Invented", "Phone", "0555-1", "address", "Nowhere 1", "token", "vw1.x.y.z",
		slog.Group("inner", "guardian", "Hugo Invented"), "database", "postgres://visitwright:secret@db/practice?sslmode=verify-full&password=other",
		"method", "GetPatient")
	text := out.String()
	for _, secret := range []string{"Greta", "0555", "Nowhere", "vw1.", "Hugo", "secret", "other"} {
		if strings.Contains(text, secret) {
			t.Errorf("the log shows %q: %s", secret, text)
		}
	}
	for _, kept := range []string{"GetPatient", "[redacted]", "postgres://visitwright@db/practice"} {
		if !strings.Contains(text, kept) {
			t.Errorf("the log lacks %q: %s", kept, text)
		}
	}
}

func TestADatabaseAddressThatCannotBeReadIsHiddenWhole(t *testing.T) {
	if got := RedactURL("postgres://user:pa ss@%zz/x"); got != "[redacted]" {
		t.Errorf("got %q", got)
	}
}
