package main

import (
	"strings"
	"testing"
)

// Every kind of visit can be run in the chair, whichever stage looks for the
// canals, and when none does.
func TestAVisitOfEveryProtocolCanBeginInTheChair(t *testing.T) {
	h := newHome(t)
	h.must("patient", "add", "INVENTED-1", "--weight", "68")
	for protocol, diagnosis := range map[string]string{
		"apexification": "necrosis", "apical-plug": "necrosis", "build-up": "necrotic-lesion", "consultation": "necrotic-lesion",
		"core": "necrotic-lesion", "emergency-relief": "irreversible-pulpitis", "investigate": "previously-treated-lesion",
		"primary-treatment": "necrotic-lesion", "re-dress": "necrotic-lesion", "regenerative": "necrosis", "replanted": "replanted",
		"retreatment": "previously-treated-lesion", "review": "previously-treated", "temporary-repair": "necrotic-lesion", "vital-pulp": "irreversible-pulpitis",
	} {
		args := []string{"case", "open", "--patient", "INVENTED-1", "--tooth", "36", "--protocol", protocol, "--diagnosis", diagnosis}
		if protocol == "apexification" || protocol == "apical-plug" || protocol == "regenerative" {
			args = append(args, "--root", "open-apex")
		}
		id := h.id(h.must(args...), "Case")
		h.must("assess", id, "--diagnosis", diagnosis, "--radiograph-count", "3")
		if page := h.must("propose", id); strings.Contains(page, "No option") {
			t.Errorf("%s: nothing is planned:\n%s", protocol, page)
			continue
		}
		if a := h.run("chair", "begin", id, "--confirmed", "--minutes", "90"); a.code != exitDone {
			t.Errorf("%s: the visit cannot begin: %s", protocol, a.err)
		}
	}
}
