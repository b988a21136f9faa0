// Package demo holds the invented practice of the demonstration. Nothing in it
// is a person, a practice or a figure of the real world.
package demo

import _ "embed"

// Practice is how the invented practice calls itself, Zone where it would be,
// Region whose public holidays it keeps.
const (
	Practice = "Nowhere-on-Sea Practice (invented)"
	Zone     = "Europe/Vienna"
	Region   = "AT"
)

// Case is the main case, a case file of the command line: a lower right first
// molar, necrotic with an apical lesion, three canals on the radiograph.
//
//go:embed case-46.json
var Case []byte

// House is the practice: rooms, people, hours, settings.
//
//go:embed practice.json
var House []byte

// Cases are the patients of the fortnight and the story of each of their teeth,
// in moments counted from the day of the demo.
//
//go:embed cases.json
var Cases []byte
