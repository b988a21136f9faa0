package main

import (
	"net/http"
	"net/url"
	"testing"

	"github.com/google/uuid"
)

func TestTwoManagersWhoWriteOneWordingSeeBothTexts(t *testing.T) {
	r, _ := openFurnished(t)
	v := r.signIn("manager")
	const form = "form[action='/practice/messages/wording']"
	mine := v.mustGet("/practice/messages/wording?kind=upcoming")
	theirs := v.send(mine, form, url.Values{"subject": {"Your visit"}, "body": {"We expect you, as agreed."}}, "")
	if theirs.status != http.StatusOK || !theirs.has("The change is kept.") {
		t.Fatalf("the first wording: status %d, %s", theirs.status, theirs.text())
	}
	late := v.send(mine, form, url.Values{"request_id": {uuid.NewString()}, "subject": {"Your visit"}, "body": {"Please come."}}, "")
	if late.status != http.StatusUnprocessableEntity || !late.has("meanwhile entered: We expect you, as agreed.") || late.value("body") != "Please come." {
		t.Errorf("the second wording: status %d, %s", late.status, late.text())
	}
}
