package fault

import "strings"

// Paths says where in a request the fields stand that the layers below speak
// of: "reference" -> "patient.reference". A field that is not listed keeps its
// name.
type Paths map[string]string

// Of is where a field stands.
func (p Paths) Of(field string) string {
	if path, ok := p[field]; ok {
		return path
	}
	// The longest prefix that is listed: "overrides.figures.x" below "overrides".
	for at := len(field); at > 0; at = strings.LastIndexAny(field[:at], ".[") {
		if path, ok := p[field[:at]]; ok {
			return path + field[at:]
		}
	}
	return field
}
