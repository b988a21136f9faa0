package obtain

import (
	"encoding/json"
	"fmt"

	"github.com/visitwright/visitwright/planner/protocol"
	"github.com/visitwright/visitwright/planner/tooth"
	"github.com/visitwright/visitwright/planner/visits"
)

// Model is one compiled treatment, as JSON.
type Model struct {
	Name string // protocol, diagnosis, tooth and canals
	JSON []byte
	// Visits is the number of ways of doing it that are compared: filled from
	// visit 1, 2 or 3. What is one visit by its nature has one.
	Visits int
}

// Models compiles every protocol that ships, for every permanent tooth, for
// one to four canals expected (one fewer or one more possible) and for the
// first diagnosis of each pulp state that it is meant for. Teeth whose models
// are the same but for the tooth's code are given once.
func Models() ([]Model, error) {
	shipped, err := protocol.Shipped()
	if err != nil {
		return nil, err
	}
	var list []Model
	seen := map[string]bool{}
	for _, p := range shipped.Protocols() {
		states, ways := map[string]bool{}, 1
		if p.Kind == "treatment" {
			ways = 3
		}
		for _, d := range shipped.Diagnoses() {
			if !p.Suits(d.ID) || states[d.Pulp] {
				continue
			}
			states[d.Pulp] = true
			for canals := 1; canals <= 4; canals++ {
				for _, code := range tooth.All() {
					m, _, err := shipped.Compile(input(p.ID, d.ID, code, canals))
					if err != nil {
						return nil, fmt.Errorf("%s, %s, tooth %v, %d canals: %w", p.ID, d.ID, code, canals, err)
					}
					m.Tooth = ""
					b, err := json.Marshal(m)
					if err != nil {
						return nil, err
					}
					if seen[string(b)] {
						continue
					}
					seen[string(b)] = true
					list = append(list, Model{fmt.Sprintf("%s, %s, like tooth %v, %d canals expected", p.ID, d.ID, code, canals), b, ways})
				}
			}
		}
	}
	return list, nil
}

// input is a case of middling difficulty. The chances of one canal fewer and
// one more are round numbers: the check is of the arithmetic, not of anatomy.
func input(protocolID, diagnosis string, code tooth.Code, canals int) protocol.CaseInput {
	p := make([]float64, canals+2)
	p[canals], p[canals+1] = .75, .25
	if canals > 1 {
		p[canals-1], p[canals] = .1, .65
	}
	names := make([]string, canals+1)
	for i := range names {
		names[i] = fmt.Sprintf("C%d", i+1)
	}
	return protocol.CaseInput{
		Protocol: protocolID, Tooth: code, Diagnosis: diagnosis,
		Canals:     visits.CanalBelief{P: p, Expected: canals, Names: names},
		Difficulty: map[string]protocol.Level{},
		Cost:       visits.Cost{Work: 1, Overrun: 2, Idle: 1, Visit: 30, Unused: 15},
		Grid:       visits.Grid{Least: 15, Most: 180, Step: 5},
		Horizon:    4, Cap: 480,
	}
}
