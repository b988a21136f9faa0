// Package obtain fetches, for the outside checks, the JSON that the planner
// gives out. It is the only part of the checks that imports the planner, and
// it hands over bytes alone.
package obtain

import (
	"bytes"
	"encoding/json"
	"fmt"

	"github.com/visitwright/visitwright/planner/visits"
)

// Solved solves the model for the option, both given as JSON, and returns the
// result as JSON. A field that the planner does not know is an error.
func Solved(model, option []byte) ([]byte, error) {
	var m visits.Model
	var o visits.Option
	if err := read(model, &m); err != nil {
		return nil, err
	}
	if err := read(option, &o); err != nil {
		return nil, err
	}
	r, err := visits.Solve(m, o)
	if err != nil {
		return nil, err
	}
	return json.Marshal(r)
}

// InOneGo returns the minutes of the whole treatment in one visit, as JSON.
func InOneGo(model []byte) ([]byte, error) {
	var m visits.Model
	if err := read(model, &m); err != nil {
		return nil, err
	}
	r, err := visits.Distribution(m)
	if err != nil {
		return nil, err
	}
	return json.Marshal(r)
}

func read(from []byte, into any) error {
	d := json.NewDecoder(bytes.NewReader(from))
	d.DisallowUnknownFields()
	if err := d.Decode(into); err != nil {
		return fmt.Errorf("handing the planner its input: %w", err)
	}
	return nil
}
