//go:build !race

// The race detector slows a real browser and the play of a whole practice down
// out of proportion: .ci/test runs these without it, in a step of their own.

package main

import (
	"bytes"
	"context"
	"fmt"
	"testing"
	"time"

	"github.com/chromedp/cdproto/page"
	"github.com/chromedp/chromedp"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// at moves the clock to a minute after an instant; whoever stands before the
// browsers is at work meanwhile.
func (r *deskRig) at(begin time.Time, minute int, tabs ...*deskTab) {
	r.t.Helper()
	for to := begin.Add(time.Duration(minute) * time.Minute); r.clock.read().Before(to); {
		r.clock.move(min(8*time.Minute, to.Sub(r.clock.read())))
		for _, b := range tabs {
			evaluate[bool](b, `fetch('/stay', {method: 'POST', credentials: 'same-origin'}).then(r => r.ok)`, chromedp.EvalAwaitPromise)
		}
	}
}

// begin begins a visit by the page.
func (b *deskTab) begin(caseID string) {
	b.t.Helper()
	b.open("/cases/" + caseID + "/chair")
	b.read("Who is in the chair, and which tooth")
	b.without("1971")
	b.fill("#f-second", "1971")
	b.press(`input[name="tooth_named"]`)
	b.press("#alert-0")
	b.press("#alert-1")
	b.press(`input[name="history"]`)
	b.pressText("Begin the visit")
	b.read("min used")
}

// event marks a chair event by the page; choices are ids of radio buttons.
func (b *deskTab) event(at, event, field, value string, choices ...string) {
	b.t.Helper()
	b.open(at + "?view=events")
	b.press("#event-" + event + " > summary")
	if field != "" {
		b.fill(field, value)
	}
	for _, c := range choices {
		b.press(`label[for="` + c + `"]`)
	}
	b.press("#event-" + event + " button.main")
	b.read("Back to the work")
}

func TestTheDemoCaseIsTappedThroughInTheBrowserAndItsBookingRepaired(t *testing.T) {
	r, id := chairRig(t)
	booking := r.bookBoth(id)
	begin := r.clock.read()
	b, nurse := r.person("clinician"), r.person("nurse")
	b.begin(id)
	at := "/cases/" + id + "/chair/1"
	nurse.wide(390)
	nurse.open(at)
	nurse.read("identity, medical history and consent checked")
	nurse.fitsSideways("the running visit on a phone")
	b.checkAccess("the running visit")
	if small := evaluate[int](b, `[...document.querySelectorAll('main button, main .act, main summary, .chair-nav a')].filter(e => e.offsetParent && e.getBoundingClientRect().height < 44 && !e.closest('details.source')).length`); small > 0 {
		t.Errorf("%d targets by the chair are lower than 44 pixels", small)
	}

	// One tap; the other device sees it.
	b.press("#next button.giant")
	b.read("Take back: identity, medical history and consent checked")
	tapped := time.Now()
	nurse.read("Take back: identity, medical history and consent checked")
	if took := time.Since(tapped); took > 5*time.Second {
		t.Errorf("the other device saw the tap after %s", took)
	}

	r.at(begin, 22, b, nurse)
	b.open(at)
	b.press(`#part-1 > summary`)
	b.press(`#part-1 button.catch`)
	b.read("scouting, coronal flare and glide path")

	r.at(begin, 45, b, nurse)
	b.event(at, "blocked-canal", "", "", "e-blocked-canal-c0", "e-blocked-canal-t2")
	b.read("Small stiff files")
	nurse.read("Consent is asked for again")
	r.at(begin, 50, b, nurse)
	b.event(at, "further-canal", "#e-further-canal-canal", "DL")
	r.at(begin, 55, b, nurse)
	b.event(at, "canals-join", "", "", "e-canals-join-c3", "e-canals-join-p2", "e-canals-join-t2")
	b.read("DL into D, apical third")
	b.without("Ready to fill: every")

	r.at(begin, 80, b, nurse)
	b.open(at + "?view=close")
	b.choose("#f-medicament", "calcium-hydroxide")
	b.choose("#f-temporary", "double-seal")
	b.fill("#f-seal_mm", "4")
	b.fill("#f-forced_because", "no time left")
	b.pressText("Show when the patient must be back")
	b.read("not after")
	b.press(`button[value="end"]`)
	b.read("What becomes of the bookings")
	b.read("too short")
	b.checkAccess("what changes")
	b.pressText("Keep the new plan")
	b.read("Kept as revision 2")
	b.pressText("Put all of this right")
	b.read("The bookings are put right")
	b.without("are needed")
	b.read("are enough")
	c := r.as(store.RoleReception)
	second, err := c.Diary.GetAppointment(t.Context(), &vw.GetAppointmentRequest{Name: booking.GetAppointments()[1].GetName()})
	if err != nil || second.GetPlace().GetMinutes() <= booking.GetAppointments()[1].GetPlace().GetMinutes() {
		t.Errorf("the second visit was not lengthened: %v %v", second.GetPlace(), err)
	}
	first, err := c.Diary.GetAppointment(t.Context(), &vw.GetAppointmentRequest{Name: booking.GetAppointments()[0].GetName()})
	if err != nil || first.GetState() != vw.Appointment_STATE_LEFT {
		t.Errorf("the diary says of the first visit: %v %v", first.GetState(), err)
	}
}

func TestAVisitThatIsNotReadyToFillIsDressedAgainInTheBrowser(t *testing.T) {
	r, id := chairRig(t)
	booking := r.bookBoth(id)
	chair := r.as(store.RoleClinician).Chair
	visit, err := chair.BeginVisit(t.Context(), &vw.BeginVisitRequest{Parent: r.practice + "/cases/" + id, Appointment: booking.GetAppointments()[0].GetName(), IdentityConfirmed: true, AlertsConfirmed: true})
	if err != nil {
		t.Fatal(err)
	}
	for i, s := range visit.GetOrder() {
		if s.GetStage() == "" || s.GetStage() == "fill" {
			continue
		}
		r.clock.move(20 * time.Minute)
		if _, err := chair.AddMarks(t.Context(), &vw.AddMarksRequest{Name: visit.GetName(), Marks: []*vw.ChairMark{{
			Id: fmt.Sprintf("7f9f3f6e-5b8e-4d0b-9a51-0f53f6d0b%03d", i), What: &vw.ChairMark_StageDone{StageDone: &vw.StageMark{Stage: s.GetStage()}}}}}); err != nil {
			t.Fatal(err)
		}
		if i >= 2 {
			break // opened and shaped; filling is for the second visit
		}
	}
	if _, err := chair.EndVisit(t.Context(), &vw.EndVisitRequest{Name: visit.GetName(), Closing: &vw.VisitClosing{Medicament: "calcium-hydroxide", Temporary: "double-seal", SealMm: 4}}); err != nil {
		t.Fatal(err)
	}
	begin := booking.GetAppointments()[1].GetPlace().GetStart().GetInstantTime().AsTime()
	r.clock.move(begin.Sub(r.clock.read()))

	b := r.person("clinician")
	b.begin(id)
	at := "/cases/" + id + "/chair/2"
	b.read("Not answered: dry")
	b.press(`#ready button[value="quiet|yes"]`)
	b.read("Not answered: dry, every canal")
	r.at(begin, 20, b)
	b.press(`#ready button[value="dry|no"]`)
	b.read("Not in this visit")
	b.read("a canal does not dry")
	b.event(at, "weeping-canal", "", "")
	b.read("Check length and patency")
	b.open(at)
	b.read("dress")
	b.without("Ready to fill: every")
	r.at(begin, 30, b)
	b.open(at + "?view=close")
	b.choose("#f-medicament", "calcium-hydroxide")
	b.choose("#f-temporary", "double-seal")
	b.fill("#f-forced_because", "a canal does not dry")
	b.press(`button[value="end"]`)
	b.read("What changes")
	b.read("Visit 3")
	b.read("not after")
	b.checkAccess("what changes after a visit that was not ready to fill")
}

// pages prints the page on A4 as it stands and counts the sheets of paper.
func (b *deskTab) pages() int {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, actWithin)
	defer cancel()
	background := false
	printed, err := chromedp.Call(ctx, page.PrintToPDF, page.PrintToPDFParams{PaperWidth: 8.27, PaperHeight: 11.69, PrintBackground: &background})
	if err != nil {
		b.t.Fatal(err)
	}
	return bytes.Count(printed.Data, []byte("/Type /Page\n")) + bytes.Count(printed.Data, []byte("/Type /Page "))
}

func TestTheVisitSheetAndTheLetterFitOnePageOfPaperEach(t *testing.T) {
	r, id := chairRig(t)
	r.bookBoth(id)
	b := r.person("nurse")
	for _, at := range []string{"/sheet", "/sheet?visit=2", "/report?kind=consultation"} {
		b.open("/cases/" + id + at)
		b.read("46, lower right first molar")
		if n := b.pages(); n != 1 {
			t.Errorf("%s takes %d pages of A4", at, n)
		}
		b.checkAccess(at)
		b.wide(390)
		b.fitsSideways(at)
		b.wide(1440)
	}
	b.open("/cases/" + id + "/care")
	b.read("The patient calls")
	b.checkAccess("a call between visits")
	b.wide(390)
	b.fitsSideways("a call between visits")
}
