//go:build !race

// The race detector slows a real browser and the play of a whole practice down
// out of proportion: .ci/test runs these without it, in a step of their own.

package main

import (
	"net/url"
	"strings"
	"testing"

	"github.com/chromedp/chromedp"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// In a real browser: while a clinician answers, the other side follows; a
// contradiction stands beside both answers and goes when one is mended; then
// the options are compared and one is accepted with consent.
func TestAClinicianAssessesComparesAndTakesConsentInARealBrowser(t *testing.T) {
	r := openDeskRig(t, nil, tuesday9)
	at := r.lowerMolar(quietLesion)
	b := r.person("clinician")
	b.open(at)
	b.read("46, lower right first molar")
	b.pressText("Assess")
	b.read("What was found")
	b.read("Answer what is known; this side follows")
	b.fill(`#q-sign\.film-count`, "3")
	b.read("3 canals on a straight film")
	b.read("Difficulty: moderate")
	b.fill(`#q-sign\.cbct-count`, "3")
	b.press("#ask-opened > summary")
	b.fill(`#q-sign\.further-orifice`, "4")
	b.see(`#say-sign\.cbct-count .say-wrong`)
	b.see(`#say-sign\.further-orifice .say-wrong`)
	b.checkAccess("assessment with a contradiction")
	b.choose(`#q-sign\.further-orifice`, "")
	b.read("counted on CBCT: speaks against a further canal")
	if n := evaluate[int](b, `document.querySelectorAll('.say-wrong').length`); n != 0 {
		t.Errorf("%d messages stay after the answer was mended", n)
	}
	b.fill("#f-mouth_opening_mm", "500")
	b.see("#f-mouth_opening_mm-wrong")
	b.checkAccess("assessment with a figure that cannot be")
	b.fill("#f-mouth_opening_mm", "42")
	b.read("counted on CBCT: speaks against a further canal")
	b.checkAccess("assessment")
	b.press(`button[value="options"]`)
	b.read("Recommended because:")
	b.checkAccess("options")
	b.wide(390)
	b.fitsSideways("options")
	b.wide(1440)
	b.press(`#accept input[value="two-visits"]`)
	b.press(`#accept input[value="GIVER_PATIENT"]`)
	b.press("#accept button")
	b.read("The option is accepted")
	b.read("Accepted: Two visits")
	b.checkAccess("case")
	b.wide(390)
	b.fitsSideways("case")
}

// With script switched off every step is a form.
func TestAnAssessmentIsShownAndKeptWithoutScript(t *testing.T) {
	r := openDeskRig(t, nil, tuesday9)
	at := r.lowerMolar(quietLesion)
	b := r.person("nurse")
	b.withoutScript()
	b.open(at + "/assess")
	b.act("type a count", chromedp.SendKeys(`#q-sign\.film-count`, "3"))
	b.press(`button[value="show"]`)
	b.see("#assess-result h3")
	b.press(`button[value="keep"]`)
	b.see(`p.note[role="status"]`)
	kept, err := r.as(store.RoleNurse).Planner.GetCase(t.Context(), &vw.GetCaseRequest{Name: r.practice + at})
	if err != nil || kept.GetLatestAssessment() == "" {
		t.Errorf("%v %v", kept, err)
	}
}

// What somebody changes elsewhere appears on an open case by itself, and what
// stands half-typed in a form of the same page is left alone.
func TestAnOpenCaseFollowsWhatOthersDo(t *testing.T) {
	r := openDeskRig(t, nil, tuesday9)
	at := r.lowerMolar(quietLesion)
	b := r.person("reception")
	b.open(at)
	b.read("Assess the tooth")
	v := r.signIn("clinician")
	v.send(v.mustGet(at+"/assess"), assessForm, url.Values{"sign.film-count": {"3"}}, "do=keep")
	b.read("See the treatment options")
	if strings.Contains(b.text(), "Assess the tooth") {
		t.Error("what was due stays due")
	}
}
