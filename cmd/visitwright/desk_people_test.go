//go:build !race

// The race detector slows a real browser and the play of a whole practice down
// out of proportion: .ci/test runs these without it, in a step of their own.

package main

import "testing"

func TestAPersonSignsInInARealBrowserAndOut(t *testing.T) {
	r := openDeskRig(t, nil, tuesday9)
	b := r.person("reception")
	b.read("What needs you now")
	b.checkAccess("opening page")
	b.press("button[data-lock]")
	b.read("You have signed out")
	b.checkAccess("sign-in page")
	b.wide(390)
	b.fitsSideways("sign-in page")
}
