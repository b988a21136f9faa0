package planner

import (
	"strings"

	"github.com/visitwright/visitwright/store"
)

// closingReason is why a case ends. Reception may close a case for what is no
// clinical decision.
type closingReason struct {
	id          string
	title       string
	explanation string
	clinical    bool // only a clinician decides so
}

var closingReasons = []closingReason{
	{"healed-discharged", "healed and discharged", "The reviews are done; nothing more is due.", true},
	{"extracted", "extracted", "The tooth is gone.", true},
	{"declined", "declined", "The patient does not want the treatment.", false},
	{"transferred", "transferred", "Another practice goes on.", false},
	{"lost", "lost", "The patient does not answer any more.", false},
	{"died", "died", "The patient has died; nothing is sent any more.", false},
}

func closingByID(id string) (closingReason, bool) {
	for _, r := range closingReasons {
		if r.id == id {
			return r, true
		}
	}
	return closingReason{}, false
}

// The store writes the same words with underscores.
func closingFromProto(id string) store.ClosingReason {
	return store.ClosingReason(strings.ReplaceAll(id, "-", "_"))
}

func closingToProto(r store.ClosingReason) string { return strings.ReplaceAll(string(r), "_", "-") }
