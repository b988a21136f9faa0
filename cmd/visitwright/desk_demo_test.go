//go:build !race

// The race detector slows a real browser and the play of a whole practice down
// out of proportion: .ci/test runs these without it, in a step of their own.

package main

import (
	"errors"
	"io"
	"maps"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/PuerkitoBio/goquery"

	client "github.com/visitwright/visitwright/clients/go"
	"github.com/visitwright/visitwright/cmd/visitwright/fortnight"
)

// openDemoRig opens the demo practice with its desk, as the command does.
func openDemoRig(t testing.TB) *deskRig {
	t.Helper()
	real := time.Date(2026, 11, 24, 12, 0, 0, 0, time.UTC)
	e := &errand{ctx: t.Context(), world: world{out: io.Discard, err: io.Discard, now: func() time.Time { return real }}}
	h := newHome(t)
	d, err := (&demoCommand{Listen: "127.0.0.1:0", Service: "127.0.0.1:0"}).open(e, &where{Data: h.dir})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		if err := errors.Join(d.desk.close(), d.house.close()); err != nil {
			t.Error(err)
		}
	})
	r := &deskRig{home: h, url: d.desk.web.Address(), practice: "practices/" + d.house.credentials.Practice, house: d.house,
		passphrase: fortnight.Passphrase, names: map[string]string{}}
	for _, p := range d.played.People {
		if r.names[p.Role] == "" {
			r.names[p.Role] = p.SignIn
		}
	}
	r.dial = func(token string) *client.Client {
		c, err := client.Connect("", client.Options{Token: token, Dial: d.house.server.Inside()})
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = c.Close() })
		return c
	}
	return r
}

var (
	identifierInPath = regexp.MustCompile(`/([0-9a-z]{20,}|\d{4}-\d\d-\d\d|\d+)(/|$)`)
	missingText      = regexp.MustCompile(`\[[a-z-]+\.[A-Za-z0-9_-]*\]`)
)

// kindsOfPages follows the links of the desk and calls see once for each kind
// of page, with its address.
func (v *deskVisitor) kindsOfPages(see func(at string, p *deskPage)) {
	v.t.Helper()
	waiting, seen := []string{"/"}, map[string]bool{"/": true}
	for len(waiting) > 0 {
		at := waiting[0]
		waiting = waiting[1:]
		p := v.mustGet(at)
		see(at, p)
		p.Find("a[href]").Each(func(_ int, a *goquery.Selection) {
			link, err := url.Parse(a.AttrOr("href", ""))
			if _, file := a.Attr("download"); file || err != nil || link.Host != "" || link.Scheme != "" || !strings.HasPrefix(link.Path, "/") || strings.HasPrefix(link.Path, "/static/") || strings.HasSuffix(link.Path, "/calendar") {
				return
			}
			kind := identifierInPath.ReplaceAllString(link.Path, "/one$2") + "?" + strings.Join(keysOf(link.Query()), "&")
			if !seen[kind] {
				seen[kind] = true
				link.Fragment = ""
				waiting = append(waiting, link.String())
			}
		})
	}
}

// keysOf are the questions of an address, with the values that choose a part.
func keysOf(q url.Values) []string {
	var out []string
	for _, key := range slices.Sorted(maps.Keys(q)) {
		if key == "view" || key == "state" || key == "kind" || key == "visit" {
			key += "=" + q.Get(key)
		}
		out = append(out, key)
	}
	return out
}

var deskRoles = []string{"reception", "nurse", "clinician", "manager"}

// Whoever follows the links of the desk finds a page behind each, with all its
// words.
func TestBehindEveryLinkOfTheDeskThereIsAPageWithAllItsWords(t *testing.T) {
	r := openDemoRig(t)
	for _, role := range deskRoles {
		t.Run(role, func(t *testing.T) {
			v := r.signIn(role)
			v.t = t
			kinds := 0
			v.kindsOfPages(func(at string, p *deskPage) {
				kinds++
				if found := missingText.FindAllString(p.text(), -1); found != nil {
					t.Errorf("%s lacks the texts %v", at, found)
				}
				if p.Find("h1").Length() != 1 {
					t.Errorf("%s has %d headings of the first order", at, p.Find("h1").Length())
				}
			})
			if kinds < 8 {
				t.Errorf("only %d kinds of pages", kinds)
			}
		})
	}
}

// The open accessibility checker finds nothing serious on any page, light or
// dark, wide or on a telephone, and no page is wider than its screen.
func TestEveryPageOfTheDeskCanBeReadByEverybody(t *testing.T) {
	r := openDemoRig(t)
	checked := map[string]bool{}
	for _, role := range deskRoles {
		b := r.person(role)
		r.signIn(role).kindsOfPages(func(at string, _ *deskPage) {
			kind := identifierInPath.ReplaceAllString(at, "/one$2")
			if checked[kind] {
				return
			}
			checked[kind] = true
			b.wide(1440)
			b.scheme("light")
			b.open(at)
			b.checkAccess(role + " " + at)
			b.wide(390)
			b.scheme("dark")
			b.fitsSideways(role + " " + at)
			b.checkAccess(role + " " + at + " on a telephone, dark")
		})
	}
	t.Logf("%d kinds of pages", len(checked))
}
