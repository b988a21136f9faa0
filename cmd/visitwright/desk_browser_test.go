package main

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/chromedp/cdproto/cdp"
	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
)

// actWithin is how long one action in the browser may take before the test
// gives up; the machine may be busy.
const actWithin = 30 * time.Second

// theBrowser is started once for all tests of the package; each browserTab is
// a profile of its own, so that two people can be signed in at one time.
var theBrowser struct {
	once sync.Once
	ctx  context.Context
	err  error
	stop func()
}

// stopBrowser ends the browser after the last test.
func stopBrowser() {
	if theBrowser.stop != nil {
		theBrowser.stop()
	}
}

func startBrowser() {
	path, err := exec.LookPath("chromium")
	if err != nil {
		theBrowser.err = fmt.Errorf("the desk is tried in Chromium, which is missing: run .ci/install, or apt-get install chromium")
		return
	}
	options := append(chromedp.DefaultExecAllocatorOptions[:],
		chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.DisableGPU,
		chromedp.Flag("disable-quic", true), chromedp.Flag("disable-background-networking", true), chromedp.Flag("disable-component-update", true),
		chromedp.Flag("disable-dev-shm-usage", true), chromedp.WSURLReadTimeout(actWithin),
	)
	allocator, stopAllocator := chromedp.NewExecAllocator(context.Background(), options...)
	ctx, stop := chromedp.NewContext(allocator)
	theBrowser.ctx, theBrowser.err = ctx, chromedp.Do(ctx)
	theBrowser.stop = func() { stop(); stopAllocator() }
}

// deskTab is one person in front of a real browser.
type deskTab struct {
	t   testing.TB
	ctx context.Context
	url string
}

// openTab opens a browser of its own for one person.
func (r *deskRig) openTab() *deskTab {
	r.t.Helper()
	theBrowser.once.Do(startBrowser)
	if theBrowser.err != nil {
		r.t.Fatal(theBrowser.err)
	}
	ctx, stop := chromedp.NewContext(theBrowser.ctx, chromedp.WithNewBrowserContext())
	r.t.Cleanup(stop)
	// The first use of a context binds the tab to it: it must have no deadline.
	if err := chromedp.Do(ctx); err != nil {
		r.t.Fatal(err)
	}
	b := &deskTab{t: r.t, ctx: ctx, url: r.url}
	b.act("open a tab", chromedp.EmulateViewport(1440, 1000))
	return b
}

// person opens a browser and signs in by the page.
func (r *deskRig) person(name string) *deskTab {
	r.t.Helper()
	b := r.openTab()
	b.open("/sign-in")
	b.fill("#f-name", cmp.Or(r.names[name], name))
	b.fill("#f-passphrase", r.passphrase)
	b.press("button.main")
	b.see("header.bar")
	return b
}

// act does something in the browser, and fails the test with the text of the
// page when it does not happen.
func (b *deskTab) act(what string, steps ...chromedp.Action[chromedp.Void]) {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, actWithin)
	defer cancel()
	if err := chromedp.Do(ctx, steps...); err != nil {
		b.t.Fatalf("%s: %v\nat %s\n%s", what, err, b.where(), b.text())
	}
}

// evaluate runs an expression in the page.
func evaluate[T any](b *deskTab, expression string, options ...chromedp.EvaluateOption) T {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, actWithin)
	defer cancel()
	got, err := chromedp.Run(ctx, chromedp.Evaluate[T](expression, options...))
	if err != nil {
		b.t.Fatalf("in the page %s: %v", b.where(), err)
	}
	return got
}

func (b *deskTab) open(path string) { b.t.Helper(); b.act("open "+path, chromedp.Navigate(b.url+path)) }

// press presses what a selector finds, once it can be seen.
func (b *deskTab) press(selector string) {
	b.t.Helper()
	b.act("press "+selector, chromedp.ScrollIntoView(selector), chromedp.Click(selector, chromedp.NodeVisible))
}

// pressText presses the first button or link with a text.
func (b *deskTab) pressText(text string) {
	b.t.Helper()
	b.press(fmt.Sprintf(`//main//*[self::button or self::a or self::summary][contains(normalize-space(.), %q)]`, text))
}

// fill types into a field, as keys are pressed.
func (b *deskTab) fill(selector, text string) {
	b.t.Helper()
	b.see(selector)
	evaluate[chromedp.Void](b, fmt.Sprintf(`document.querySelector(%q).value = ''; undefined`, selector))
	b.act("fill "+selector, chromedp.SendKeys(selector, text))
}

// choose picks an entry of a list, or a date, as a person would who does not
// type it.
func (b *deskTab) choose(selector, value string) {
	b.t.Helper()
	b.see(selector)
	evaluate[chromedp.Void](b, fmt.Sprintf(`(function(){var f=document.querySelector(%q); f.value=%q; f.dispatchEvent(new Event('input',{bubbles:true})); f.dispatchEvent(new Event('change',{bubbles:true}));})(); undefined`, selector, value))
}

// see waits until something can be seen.
func (b *deskTab) see(selector string) {
	b.t.Helper()
	b.act("see "+selector, chromedp.WaitVisible(selector))
}

// read waits until a text stands on the page, over changes of the page.
func (b *deskTab) read(text string) {
	b.t.Helper()
	wanted, _ := json.Marshal(strings.ToLower(strings.Join(strings.Fields(text), " ")))
	ctx, cancel := context.WithTimeout(b.ctx, actWithin)
	defer cancel()
	for {
		_, err := chromedp.Run(ctx, chromedp.Poll[bool](fmt.Sprintf(`document.body && document.body.innerText.replace(/\s+/g, ' ').toLowerCase().includes(%s)`, wanted),
			chromedp.WithPollingMutation(), chromedp.WithPollingTimeout(actWithin)))
		if err == nil {
			return
		}
		if ctx.Err() != nil || errors.Is(err, chromedp.ErrPollingTimeout) {
			b.t.Fatalf("%q does not appear\nat %s\n%s", text, b.where(), b.text())
		}
	}
}

// without fails the test when a text stands on the page.
func (b *deskTab) without(text string) {
	b.t.Helper()
	if strings.Contains(strings.ToLower(b.text()), strings.ToLower(text)) {
		b.t.Errorf("%q stands on the page %s\n%s", text, b.where(), b.text())
	}
}

// text is what can be read on the page.
func (b *deskTab) text() string {
	ctx, cancel := context.WithTimeout(b.ctx, actWithin)
	defer cancel()
	text, _ := chromedp.Run(ctx, chromedp.Evaluate[string](`document.body ? document.body.innerText : ''`))
	return text
}

func (b *deskTab) where() string {
	ctx, cancel := context.WithTimeout(b.ctx, actWithin)
	defer cancel()
	at, _ := chromedp.Run(ctx, chromedp.Location())
	return strings.TrimPrefix(at, b.url)
}

// command sends a command of the browser's protocol.
func command[P, R any](b *deskTab, c cdp.Command[P, R], params P) {
	b.t.Helper()
	ctx, cancel := context.WithTimeout(b.ctx, actWithin)
	defer cancel()
	if _, err := chromedp.Call(ctx, c, params); err != nil {
		b.t.Fatal(err)
	}
}

// withoutScript switches script off for all that is opened from here on.
func (b *deskTab) withoutScript() {
	b.t.Helper()
	command(b, emulation.SetScriptExecutionDisabled, emulation.SetScriptExecutionDisabledParams{Value: true})
}

// finding is what the accessibility checker has to say.
type finding struct {
	ID, Impact, Help string
	Nodes            []struct {
		Target []any  `json:"target"`
		HTML   string `json:"html"`
	}
}

// checkAccess runs the open accessibility checker on the page as it stands and
// reports every serious or critical finding. The rules are those of WCAG 2.0 to
// 2.2, levels A and AA, and common practice.
func (b *deskTab) checkAccess(name string) {
	b.t.Helper()
	evaluate[int](b, checkerScript(b.t))
	raw := evaluate[string](b, `axe.run(document, {resultTypes: ['violations']}).then(r => JSON.stringify(r.violations))`, chromedp.EvalAwaitPromise)
	var findings []finding
	if err := json.Unmarshal([]byte(raw), &findings); err != nil {
		b.t.Fatal(err)
	}
	for _, f := range findings {
		if f.Impact == "serious" || f.Impact == "critical" {
			for _, n := range f.Nodes[:min(3, len(f.Nodes))] {
				b.t.Errorf("%s: %s (%s): %s\n  %v\n  %s", name, f.ID, f.Impact, f.Help, n.Target, n.HTML)
			}
		}
	}
}

var checker struct {
	once   sync.Once
	script string
	err    error
}

func checkerScript(t testing.TB) string {
	t.Helper()
	checker.once.Do(func() {
		body, err := os.ReadFile(filepath.Join("..", "..", "clients", "desk", "checker", "node_modules", "axe-core", "axe.min.js"))
		checker.script, checker.err = string(body)+"; 0", err
	})
	if checker.err != nil {
		t.Fatalf("the accessibility checker is missing: run .ci/install, or npm ci in clients/desk/checker: %v", checker.err)
	}
	return checker.script
}

// scheme shows the page as somebody with a light or a dark screen sees it.
func (b *deskTab) scheme(name string) {
	b.t.Helper()
	command(b, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: name}}})
}

// wide sets the width of the window in CSS pixels.
func (b *deskTab) wide(pixels int64) {
	b.t.Helper()
	b.act("resize", chromedp.EmulateViewport(pixels, 900))
}

// fitsSideways fails the test when the page can be scrolled sideways.
func (b *deskTab) fitsSideways(name string) {
	b.t.Helper()
	if over := evaluate[int](b, `document.documentElement.scrollWidth - document.documentElement.clientWidth`); over > 0 {
		b.t.Errorf("%s is %d pixels wider than the screen", name, over)
	}
}

// has reports whether a text stands on the page now.
func (b *deskTab) has(text string) bool { return strings.Contains(b.text(), text) }
