package proposal

import (
	"testing"

	"github.com/visitwright/visitwright/planner/protocol"
)

func TestADressingIsThePracticesOwnOnlyForTheUsualOneOfATreatment(t *testing.T) {
	c, err := protocol.Shipped()
	if err != nil {
		t.Fatal(err)
	}
	for name, x := range map[string]struct {
		protocol, diagnosis, own string
		alerts                   []string
		placed, out              string
	}{
		"none of its own":                       {"primary-treatment", "necrotic", "", nil, "calcium-hydroxide", ""},
		"its own in an infected tooth":          {"retreatment", "previously-treated", "chlorhexidine-gel", nil, "chlorhexidine-gel", ""},
		"a vital tooth":                         {"primary-treatment", "irreversible-pulpitis", "chlorhexidine-gel", nil, "corticosteroid-antibiotic", ""},
		"a visit for relief":                    {"emergency-relief", "necrotic", "chlorhexidine-gel", nil, "calcium-hydroxide", ""},
		"a protocol with a dressing of its own": {"vital-pulp", "necrotic", "chlorhexidine-gel", nil, "pulp-dressing", ""},
		"its own, which an alert rules out":     {"primary-treatment", "necrotic", "chlorhexidine-gel", []string{"latex", "chlorhexidine"}, "calcium-hydroxide", "chlorhexidine-gel"},
		"the protocol's, which an alert rules out": {"primary-treatment", "irreversible-pulpitis", "", []string{"paste-antibiotic"},
			"calcium-hydroxide", "corticosteroid-antibiotic"},
		"an alert against another one": {"primary-treatment", "irreversible-pulpitis", "", []string{"chlorhexidine"}, "corticosteroid-antibiotic", ""},
	} {
		p, err := c.Protocol(x.protocol)
		if err != nil {
			t.Fatal(err)
		}
		d, err := c.Diagnosis(x.diagnosis)
		if err != nil {
			t.Fatal(err)
		}
		placed, out, err := Dressing(c, p, d, x.own, x.alerts)
		if err != nil || placed.ID != x.placed || out.ID != x.out {
			t.Errorf("%s: %q placed for %q, %v, want %q for %q", name, placed.ID, out.ID, err, x.placed, x.out)
		}
	}
}
