//go:build !race

// The race detector slows a real browser and the play of a whole practice down
// out of proportion: .ci/test runs these without it, in a step of their own.

package main

import (
	"net/http"
	"net/url"
	"strings"
	"testing"

	"github.com/PuerkitoBio/goquery"
)

// script is what somebody types who means harm; wherever it comes back it must
// come back as words.
const script = `"'><script>alert(1)</script><img src=x onerror=alert(2)>`

// Every form that a link leads to is sent empty, too long, malformed and with
// script in it, by each role: there is an answer that says what is wrong, never
// a fault of the program and never a script that would run.
func TestEveryFormOfTheDeskTakesBadInputCalmly(t *testing.T) {
	bad := map[string]string{
		"empty":     "",
		"huge":      strings.Repeat("long ", 4000),
		"malformed": "9999-99-99 \u2603 -1e309 ../../x %00",
		"hostile":   script,
		"others":    "practices/elsewhere/cases/c1",
	}
	r := openDemoRig(t)
	for _, role := range deskRoles {
		t.Run(role, func(t *testing.T) {
			v := r.signIn(role)
			v.t = t
			type found struct{ at, action string }
			forms := map[string]found{}
			v.kindsOfPages(func(at string, p *deskPage) {
				p.Find("main form").Each(func(i int, f *goquery.Selection) {
					action := f.AttrOr("action", at)
					if strings.HasPrefix(action, "/sign-") || action == "/me" || strings.HasSuffix(action, "/passphrase") {
						return // would lock the test out
					}
					kind := identifierInPath.ReplaceAllString(strings.SplitN(action, "?", 2)[0], "/one$2") + " " + strings.Join(fieldsOf(f), ",")
					if _, seen := forms[kind]; !seen {
						forms[kind] = found{at, action}
					}
				})
			})
			for kind, form := range forms {
				for way, value := range bad {
					p := v.get(form.at)
					f := p.Find("main form").FilterFunction(func(_ int, s *goquery.Selection) bool { return s.AttrOr("action", form.at) == form.action })
					if p.status != http.StatusOK || f.Length() == 0 {
						continue // an earlier try has changed what stands there
					}
					answer := v.sendBad(p, f.First(), value)
					switch {
					case answer.status >= http.StatusInternalServerError:
						t.Errorf("%s, %s: status %d\n%s", kind, way, answer.status, answer.text())
					case answer.status == http.StatusUnprocessableEntity && answer.Find(".say-wrong, .problem, .note").Length() == 0:
						t.Errorf("%s, %s: refused without a word\n%s", kind, way, answer.text())
					}
					if answer.Find("script:not([src]), img[onerror], main img").Length() > 0 {
						t.Errorf("%s, %s: what was typed has become part of the page", kind, way)
					}
					if way == "hostile" && answer.status == http.StatusUnprocessableEntity && hasText(f.First()) && !kept(answer) {
						t.Errorf("%s: what was typed is not kept", kind)
					}
				}
			}
			t.Logf("%d kinds of forms", len(forms))
		})
	}
}

// fieldsOf are the names of a form's fields.
func fieldsOf(f *goquery.Selection) []string {
	seen := map[string]bool{}
	var out []string
	f.Find("input[name], select[name], textarea[name], button[name]").Each(func(_ int, s *goquery.Selection) {
		if name := s.AttrOr("name", ""); !seen[name] {
			seen[name] = true
			out = append(out, name)
		}
	})
	return out
}

// typeable reports whether people type into a field.
func typeable(s *goquery.Selection) bool {
	switch goquery.NodeName(s) {
	case "textarea":
		return true
	case "input":
		switch s.AttrOr("type", "text") {
		case "text", "search", "tel", "email", "date", "time", "number":
			return true
		}
	}
	return false
}

func hasText(f *goquery.Selection) bool {
	return f.Find("input[type=text], textarea").Length() > 0
}

// kept reports whether the hostile text stands in a field of the answer.
func kept(p *deskPage) bool {
	return p.Find("input, textarea").FilterFunction(func(_ int, s *goquery.Selection) bool {
		return strings.Contains(s.AttrOr("value", ""), "alert(1)") || strings.Contains(s.Text(), "alert(1)")
	}).Length() > 0
}

// sendBad sends a form with one value in every field that people type into and
// in every list and hidden field but the ids of the request.
func (v *deskVisitor) sendBad(p *deskPage, f *goquery.Selection, value string) *deskPage {
	v.t.Helper()
	values := url.Values{}
	f.Find("input[name], select[name], textarea[name]").Each(func(_ int, s *goquery.Selection) {
		name, kind := s.AttrOr("name", ""), s.AttrOr("type", "text")
		switch {
		case typeable(s) || goquery.NodeName(s) == "select":
			values.Set(name, value)
		case name == "request_id" || name == "etag":
			values.Set(name, s.AttrOr("value", ""))
		case kind == "hidden":
			if value == script || strings.HasPrefix(value, "practices/") {
				values.Set(name, value)
			} else {
				values.Set(name, s.AttrOr("value", ""))
			}
		case kind == "radio" || kind == "checkbox":
			if value != "" {
				values.Set(name, value)
			}
		}
	})
	if button := f.Find("button[name]").First(); button.Length() > 0 {
		values.Set(button.AttrOr("name", ""), button.AttrOr("value", ""))
	}
	action := f.AttrOr("action", p.at)
	base, _ := url.Parse(p.at)
	target, err := base.Parse(action)
	if err != nil {
		v.t.Fatal(err)
	}
	if strings.EqualFold(f.AttrOr("method", "get"), "get") {
		target.RawQuery = values.Encode()
		return v.get(target.RequestURI())
	}
	return v.post(target.RequestURI(), values)
}
