//go:build !race

// The race detector slows a real browser and the play of a whole practice down
// out of proportion: .ci/test runs these without it, in a step of their own.

package main

import (
	"fmt"
	"testing"
	"time"

	"github.com/chromedp/chromedp"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// In a real browser, from the search field: patient, tooth, book.
func TestAReceptionistBooksBothVisitsFromAnOfferInARealBrowser(t *testing.T) {
	r, _ := openFurnished(t)
	b := r.person("reception")
	b.fill("#find", "INVENTED-0046\r")
	b.read("Found")
	b.pressText("46, lower right first molar")
	b.pressText("Book")
	b.read("Free places that go together")
	b.checkAccess("offers")
	b.press("article.offer button.main")
	b.read("Booked. Nothing more needs doing.")
	b.checkAccess("what is booked")
	b.wide(390)
	b.fitsSideways("what is booked")
	if n := len(r.booked()); n != 2 {
		t.Errorf("%d appointments are booked, want 2", n)
	}
}

// Enter confirms what is kept, but not for somebody whose focus is on "Let go".
func TestEnterDoesWhatHasTheFocusInARealBrowser(t *testing.T) {
	r, id := openFurnished(t)
	b := r.person("reception")
	b.open("/cases/" + id + "/book")
	b.press(`article.offer button[value="15"]`)
	b.read("Kept for INVENTED-0046")
	b.act("Enter on Let go", chromedp.SendKeys(`form[action$="/let-go"] button`, "\r"))
	b.read("The places were let go.")
	if n := len(r.booked()); n != 0 {
		t.Errorf("%d appointments are booked, want none", n)
	}
	b.press(`article.offer button[value="15"]`)
	b.read("Kept for INVENTED-0046")
	b.act("Enter anywhere", chromedp.KeyEvent("\r"))
	b.read("Booked. Nothing more needs doing.")
}

// Two receptionists look at the same place; the second is told and books
// another.
func TestTwoReceptionistsRaceForOnePlaceInRealBrowsers(t *testing.T) {
	r, id := openFurnished(t)
	other := r.anotherCase()
	anna, ben := r.person("reception"), r.person("reception")
	anna.open("/cases/" + id + "/book")
	ben.open("/cases/" + other + "/book")
	anna.read("Free places that go together")
	ben.read("Free places that go together")
	anna.press("article.offer button.main")
	anna.read("Booked. Nothing more needs doing.")
	ben.press("article.offer button.main")
	ben.read("Somebody else has just booked one of these places")
	ben.read("Nothing of yours was booked")
	ben.checkAccess("told that a place is gone")
	ben.press("article.offer button.main")
	ben.read("Booked. Nothing more needs doing.")
	if n := len(r.booked()); n != 4 {
		t.Errorf("%d appointments are booked, want 4", n)
	}
}

// A red flag shows the practice's instruction before any place.
func TestAnUrgentCallWithARedFlagReadsTheInstructionFirstInARealBrowser(t *testing.T) {
	h := newHome(t)
	h.furnish()
	h.mustAt(monday, "settings", "change", "--urgent-instruction", "Call the invented emergency number now.")
	r := openDeskRig(t, h, monday)
	b := r.person("reception")
	b.open("/call")
	b.read("Ask these first")
	b.without("The next places")
	b.press("main button.main")
	b.read("Not answered yet")
	b.checkAccess("questions not answered")
	evaluate[chromedp.Void](b, `document.querySelectorAll('main input[type=radio][value=no]').forEach(f => f.click()); document.querySelector('main input[type=radio][value=yes]').click(); undefined`)
	b.press("main button.main")
	b.read("Call the invented emergency number now.")
	b.without("The next places")
	b.checkAccess("instruction")
	b.press("#read-out")
	b.pressText("Go on to places")
	b.read("Who calls?")
	b.fill("#f-q", "INVENTED-0046\r")
	b.press("ul.people button")
	b.read("The next places")
	b.read("Call the invented emergency number now.")
	b.checkAccess("places for an urgent call")
	b.pressText("Book")
	b.read("Booked. Nothing more needs doing.")
	if n := len(r.booked()); n != 1 {
		t.Errorf("%d appointments are booked, want 1", n)
	}
}

func TestTheReviewAtTwelveMonthsIsRecordedAsHealedInARealBrowser(t *testing.T) {
	h := newHome(t)
	id := h.furnish()
	filled := monday
	h.mustAt(filled, "care", "filled", id, "--core", "--coverage", "--index", "4")
	h.mustAt(filled.AddDate(0, 1, 0), "care", "restored", id)
	h.mustAt(filled.AddDate(0, 6, 1), "care", "review", id, "--index", "2", "--because", "six months after the filling of a tooth with a lesion")
	r := openDeskRig(t, h, filled.AddDate(1, 0, 1))
	b := r.person("clinician")
	b.open("/due")
	b.pressText("Show everybody's") // to book a review is a task of reception
	b.read("Review: 46, lower right first molar")
	b.pressText("Record the review")
	b.press(`input[name="index_now"][value="1"]`)
	b.fill("#f-radiograph_reason", "twelve months after the filling of a tooth with a lesion")
	b.read("Strict criteria (healed)")
	b.checkAccess("review")
	b.press(`button[value="keep"]`)
	b.read("The review is recorded.")
	b.read("Healed")
	b.read("The series of reviews is complete.")
}

// Reading and booking work with script switched off.
func TestWithoutScriptAReceptionistReadsTheDayAndBooks(t *testing.T) {
	r, id := openFurnished(t)
	b := r.openTab()
	b.withoutScript()
	b.open("/sign-in")
	b.act("type name and passphrase", chromedp.SendKeys("#f-name", "reception"), chromedp.SendKeys("#f-passphrase", r.passphrase))
	b.press("button.main")
	b.see("header.bar")
	b.open("/cases/" + id + "/book")
	b.press("article.offer button.main")
	b.see("ol.bookedlist")
	got := r.booked()
	if len(got) != 2 {
		t.Fatalf("%d appointments are booked, want 2", len(got))
	}
	b.open("/day/" + isoDay(got[0].GetPlace().GetStart().GetDate()))
	b.see("#main")
	if !b.has("INVENTED-0046") {
		t.Errorf("the day does not show the visit\n%s", b.text())
	}
}

// What anyone changes appears on an open page without losing what is being
// typed; a lost connection is said and heals by itself. How long it takes is
// printed, since the target of a second is for a machine that does nothing else.
func TestAnOpenPageFollowsOthersAndHealsByItself(t *testing.T) {
	r, id := openFurnished(t)
	b := r.person("reception")
	b.open("/cases/" + id)
	b.act("wait for the stream", chromedp.WaitReady(`body[data-live="on"]`))
	b.fill("#find", "half typed")
	clinician := r.as(store.RoleClinician)
	plan, err := clinician.Planner.ProposePlan(t.Context(), &vw.ProposePlanRequest{Parent: r.practice + "/cases/" + id})
	if err != nil {
		t.Fatal(err)
	}
	changed := time.Now()
	b.read(fmt.Sprintf("Plan, revision %d", plan.GetRevision()))
	took := time.Since(changed)
	t.Logf("a change stands on the page after %v", took.Round(time.Millisecond))
	if took > 10*time.Second {
		t.Errorf("the change stood on the page after %v", took)
	}
	if got := evaluate[string](b, `document.getElementById('find').value`); got != "half typed" {
		t.Errorf("what was typed became %q", got)
	}
	r.down.Store(true)
	r.drop()
	b.read("The connection is lost")
	plan, err = clinician.Planner.ProposePlan(t.Context(), &vw.ProposePlanRequest{Parent: r.practice + "/cases/" + id})
	if err != nil {
		t.Fatal(err)
	}
	r.down.Store(false)
	b.read(fmt.Sprintf("Plan, revision %d", plan.GetRevision()))
	b.without("The connection is lost")
}
