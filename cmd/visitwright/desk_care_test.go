package main

import (
	"net/http"
	"net/url"
	"strings"
	"testing"

	"github.com/PuerkitoBio/goquery"
)

// flagsNo answers every red-flag question of a page with no.
func flagsNo(p *deskPage) url.Values {
	out := url.Values{}
	p.Find(`.flags input[type=radio][value=no]`).Each(func(_ int, s *goquery.Selection) { out.Set(s.AttrOr("name", ""), "no") })
	return out
}

func TestTheVisitSheetShowsEachVisitOnOnePage(t *testing.T) {
	r, id := chairRig(t)
	v := r.signIn("nurse")
	for at, want := range map[string][]string{
		"/sheet":         {"Visit 1", "46, lower right first molar", "INVENTED-0046", "Latex allergy", "Set out", "access cavity", "may stop here", "MB", "Usual working length", "Local anaesthetic"},
		"/sheet?visit=2": {"Visit 2", "46, lower right first molar"},
	} {
		p := v.mustGet("/cases/" + id + at)
		for _, w := range want {
			if !p.has(w) {
				t.Errorf("%s does not say %q: %s", at, w, p.text())
			}
		}
	}
	for _, at := range []string{"/sheet?visit=99", "/sheet?visit=-1", "/sheet?visit=" + url.QueryEscape(markup)} {
		if p := v.get("/cases/" + id + at); p.status >= http.StatusInternalServerError || p.Find("main script").Length() > 0 {
			t.Errorf("%s: status %d", at, p.status)
		}
	}
}

func TestTheReportSaysWhatIsAskedOfWhomByWhen(t *testing.T) {
	r, id := chairRig(t)
	v := r.signIn("reception")
	p := v.mustGet("/cases/" + id + "/report?kind=consultation")
	for _, want := range []string{"46, lower right first molar", "INVENTED-0046", "Nowhere-on-Sea Practice"} {
		if !p.has(want) {
			t.Errorf("the letter does not say %q: %s", want, p.text())
		}
	}
	if p := v.mustGet("/cases/" + id + "/report?kind=finish"); p.Find(".caution").Length() == 0 && p.Find("article.letter").Length() == 0 {
		t.Errorf("neither a letter nor why there is none: %s", p.text())
	}
	v.mustGet("/cases/" + id + "/report?kind=" + url.QueryEscape(markup))
}

func TestACallBetweenVisitsAsksForRedFlagsFirst(t *testing.T) {
	r, id := chairRig(t)
	v := r.signIn("reception")
	at := "/cases/" + id + "/care"
	ask := v.mustGet(at)
	p := v.send(ask, `form[action$="/care/call"]`, url.Values{"complaint": {"pain"}}, "")
	if p.status != http.StatusUnprocessableEntity || !p.has("Ask this, and answer yes or no") {
		t.Fatalf("a call without red-flag questions: %d %s", p.status, p.text())
	}
	typed := flagsNo(ask)
	p = v.send(ask, `form[action$="/care/call"]`, typed, "")
	if p.status != http.StatusUnprocessableEntity || !p.has("Say what the call is about") {
		t.Errorf("a call about nothing: %d %s", p.status, p.text())
	}
	// One yes: the instruction first, and nothing is kept before it was read out.
	flag := ""
	for name := range typed {
		flag = name
		break
	}
	raised := url.Values{"complaint": {"swelling"}}
	for name, value := range typed {
		raised[name] = value
	}
	raised.Set(flag, "yes")
	p = v.send(ask, `form[action$="/care/call"]`, raised, "")
	if !p.has("Read this out first") || p.has("The call is kept") || v.mustGet(at).has("swelling between visits") {
		t.Fatalf("the instruction does not come first: %s", p.text())
	}
	p = v.send(p, `form[action$="/care/call"]`, url.Values{"read-out": {"yes"}}, "")
	if !p.has("The call is kept") || !p.has("Book a place") {
		t.Errorf("after the instruction: %s", p.text())
	}
	if !strings.Contains(v.mustGet(at).Find("#care-due").Text(), "Recorded") {
		t.Error("the call is not among what is recorded")
	}
}

func TestWhatIsRecordedOfATooth(t *testing.T) {
	r, id := chairRig(t)
	nurse, reception := r.signIn("nurse"), r.signIn("reception")
	at := "/cases/" + id + "/care"
	if reception.mustGet(at).Find("#left").Length() > 0 {
		t.Error("reception records how a visit left a tooth")
	}
	p := nurse.send(nurse.mustGet(at), `#left form`, url.Values{"date": {"2027-02-26"}}, "")
	if p.status != http.StatusUnprocessableEntity || !p.has("Say where the tooth was left") {
		t.Fatalf("nothing said: %d %s", p.status, p.text())
	}
	if p = nurse.send(p, `#left form`, url.Values{"date": {"2027-02-31"}, "stop": {"shaped"}}, ""); p.status != http.StatusUnprocessableEntity || !p.has("Enter a date") {
		t.Errorf("a day that is none: %d", p.status)
	}
	p = nurse.send(nurse.mustGet(at), `#left form`, url.Values{"date": {"2027-02-26"}, "left": {"filled"}, "needs_coverage": {"yes"}, "referrer_restores": {"yes"}, "index_before": {"3"}}, "")
	if !p.has("Recorded. What is due follows from it.") || !p.has("Definitive restoration") {
		t.Fatalf("filled: %s", p.text())
	}
	p = reception.send(reception.mustGet(at), `#restored form`, url.Values{"date": {"2027-03-01"}, "by_referrer": {"yes"}}, "")
	if !p.has("The restoration is recorded") {
		t.Errorf("restored: %d %s", p.status, p.text())
	}
}
