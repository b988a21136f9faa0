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
	for _, part := range []struct {
		from []byte
		into any
	}{{model, &m}, {option, &o}} {
		d := json.NewDecoder(bytes.NewReader(part.from))
		d.DisallowUnknownFields()
		if err := d.Decode(part.into); err != nil {
			return nil, fmt.Errorf("handing the planner its input: %w", err)
		}
	}
	r, err := visits.Solve(m, o)
	if err != nil {
		return nil, err
	}
	return json.Marshal(r)
}
