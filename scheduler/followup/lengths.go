package followup

import (
	_ "embed"
	"encoding/json"
	"fmt"
	"sync"
)

//go:embed lengths.json
var lengthsFile []byte

// Visit is what is booked for a follow-up that no plan asks for.
type Visit struct {
	Protocol string `json:"protocol"` // catalogue id
	Minutes  Figure `json:"minutes"`
}

var lengths = sync.OnceValues(func() (map[string]Visit, error) {
	var l map[string]Visit
	if err := json.Unmarshal(lengthsFile, &l); err != nil {
		return nil, fmt.Errorf("lengths of visits: %w", err)
	}
	return l, nil
})

// VisitFor is what is booked for a kind of follow-up, given as lists carry it:
// "return-visit"; false for one that is no visit.
func VisitFor(kind string) (Visit, bool) {
	l, err := lengths()
	if err != nil {
		return Visit{}, false
	}
	v, ok := l[kind]
	return v, ok
}
