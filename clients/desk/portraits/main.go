// Command portraits takes a picture of every page of a running desk, as each
// role sees it: wide and on a phone, light and dark. It follows the links of
// the pages themselves, so that a new page is in the pictures by itself.
//
// It is for a demonstration: it signs in as people whose names and passphrases
// the demonstration prints, and reads only.
package main

import (
	"context"
	"errors"
	"flag"
	"fmt"
	"io"
	"net/url"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"time"

	"github.com/chromedp/cdproto/emulation"
	"github.com/chromedp/chromedp"
)

// waitFor is how long one page may take.
const waitFor = 30 * time.Second

// tallest is how many pixels of a long page a picture shows.
const tallest = 3000

func main() {
	at := flag.String("desk", "", "address of the desk, for example http://127.0.0.1:7647")
	into := flag.String("into", "portraits", "folder for the pictures")
	people := flag.String("people", "", "who to sign in as: name=passphrase, separated by semicolons; each gets a folder of their own")
	flag.Parse()
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	err := portray(ctx, os.Stdout, *at, *into, *people)
	stop()
	if err != nil {
		fmt.Fprintln(os.Stderr, "portraits:", err)
		os.Exit(1)
	}
}

func portray(ctx context.Context, out io.Writer, at, into, people string) error {
	base, err := url.Parse(at)
	if err != nil || base.Host == "" {
		return errors.New("give --desk, the address of a running desk")
	}
	path, err := exec.LookPath("chromium")
	if err != nil {
		return errors.New("chromium is missing: run .ci/install")
	}
	allocator, stop := chromedp.NewExecAllocator(ctx, append(chromedp.DefaultExecAllocatorOptions[:],
		chromedp.ExecPath(path), chromedp.NoSandbox, chromedp.DisableGPU, chromedp.Flag("disable-background-networking", true), chromedp.Flag("disable-quic", true),
		chromedp.Flag("disable-component-update", true), chromedp.Flag("disable-dev-shm-usage", true), chromedp.Flag("hide-scrollbars", true))...)
	defer stop()
	browser, stopBrowser := chromedp.NewContext(allocator)
	defer stopBrowser()
	if err := chromedp.Do(browser); err != nil {
		return err
	}
	var failed []error
	for who := range strings.SplitSeq(people, ";") {
		name, passphrase, found := strings.Cut(strings.TrimSpace(who), "=")
		if !found {
			return fmt.Errorf("%q: want name=passphrase", name)
		}
		p := &portraitist{base: base, folder: filepath.Join(into, slug(name))}
		if err := p.person(browser, name, passphrase); err != nil {
			failed = append(failed, fmt.Errorf("%s: %w", name, err))
		}
		fmt.Fprintf(out, "%s: %d pages\n", name, len(p.done))
	}
	return errors.Join(failed...)
}

// portraitist walks the desk as one person.
type portraitist struct {
	base   *url.URL
	folder string
	tab    context.Context
	done   map[string]bool // kinds of pages that have their pictures
	failed []error
}

func (p *portraitist) person(browser context.Context, name, passphrase string) error {
	if err := os.MkdirAll(p.folder, 0o750); err != nil {
		return err
	}
	tab, stop := chromedp.NewContext(browser, chromedp.WithNewBrowserContext())
	defer stop()
	if err := chromedp.Do(tab); err != nil {
		return err
	}
	p.tab, p.done = tab, map[string]bool{}
	if err := p.do(chromedp.Navigate(p.base.JoinPath("sign-in").String())); err != nil {
		return err
	}
	if err := p.pictures("sign-in"); err != nil {
		return err
	}
	if err := p.do(chromedp.SendKeys("#f-name", name), chromedp.SendKeys("#f-passphrase", passphrase), chromedp.Click("button.main"), chromedp.WaitVisible("header.bar")); err != nil {
		return err
	}
	waiting, seen := []string{"/"}, map[string]bool{"/": true}
	for len(waiting) > 0 {
		at := waiting[0]
		waiting = waiting[1:]
		kind := kindOf(at)
		if p.done[kind] {
			continue
		}
		p.done[kind] = true
		links, err := p.page(at, kind)
		if err != nil {
			// One page that takes too long keeps nobody from the others.
			p.failed = append(p.failed, fmt.Errorf("%s: %w", at, err))
			continue
		}
		for _, l := range links {
			if !seen[l] {
				seen[l] = true
				waiting = append(waiting, l)
			}
		}
	}
	return errors.Join(p.failed...)
}

// page takes the pictures of one page and returns the links on it.
func (p *portraitist) page(at, kind string) ([]string, error) {
	target, err := p.base.Parse(at)
	if err != nil {
		return nil, err
	}
	if err := p.do(chromedp.Navigate(target.String()), chromedp.WaitVisible("#main")); err != nil {
		return nil, err
	}
	if err := p.pictures(kind); err != nil {
		return nil, err
	}
	ctx, cancel := context.WithTimeout(p.tab, waitFor)
	defer cancel()
	found, err := chromedp.Run(ctx, chromedp.Evaluate[[]string](`Array.from(document.querySelectorAll('a[href]')).filter(a => a.origin === location.origin && !a.hasAttribute('download')).map(a => a.pathname + a.search)`))
	var links []string
	for _, l := range found {
		if !strings.HasSuffix(l, ".ics") && !strings.HasSuffix(l, "/calendar") && !strings.HasPrefix(l, "/static/") && !strings.HasPrefix(l, "/sign-") {
			links = append(links, l)
		}
	}
	slices.Sort(links)
	return slices.Compact(links), err
}

// pictures are taken at two widths and in two schemes.
func (p *portraitist) pictures(kind string) error {
	for _, width := range []int64{1440, 390} {
		for _, scheme := range []string{"light", "dark"} {
			ctx, cancel := context.WithTimeout(p.tab, waitFor)
			err := chromedp.Do(ctx, chromedp.EmulateViewport(width, 900))
			if err == nil {
				_, err = chromedp.Call(ctx, emulation.SetEmulatedMedia, emulation.SetEmulatedMediaParams{Features: []*emulation.MediaFeature{{Name: "prefers-color-scheme", Value: scheme}}})
			}
			var height float64
			if err == nil {
				height, err = chromedp.Run(ctx, chromedp.Evaluate[float64](`document.documentElement.scrollHeight`))
			}
			if err == nil {
				err = chromedp.Do(ctx, chromedp.EmulateViewport(width, int64(min(max(height, 900), tallest))))
			}
			var picture []byte
			if err == nil {
				picture, err = chromedp.Run(ctx, chromedp.CaptureScreenshot())
			}
			cancel()
			if err != nil {
				return err
			}
			if err := os.WriteFile(filepath.Join(p.folder, fmt.Sprintf("%s-%d-%s.png", kind, width, scheme)), picture, 0o600); err != nil {
				return err
			}
		}
	}
	return nil
}

func (p *portraitist) do(steps ...chromedp.Action[chromedp.Void]) error {
	ctx, cancel := context.WithTimeout(p.tab, waitFor)
	defer cancel()
	return chromedp.Do(ctx, steps...)
}

var (
	identifiers = regexp.MustCompile(`^[0-9a-z]{20,}$|^\d+$|^\d{4}-\d\d-\d\d$`)
	notInNames  = regexp.MustCompile(`[^a-z0-9]+`)
)

// kindOf names a kind of page: its address with what identifies left out, the
// names of its questions kept.
func kindOf(address string) string {
	u, err := url.Parse(address)
	if err != nil {
		return slug(address)
	}
	var parts []string
	for part := range strings.SplitSeq(strings.Trim(u.Path, "/"), "/") {
		if identifiers.MatchString(part) {
			part = "one"
		}
		parts = append(parts, part)
	}
	for _, key := range []string{"kind", "view", "visit"} {
		if v := u.Query().Get(key); v != "" {
			parts = append(parts, v)
		}
	}
	if name := slug(strings.Join(parts, "-")); name != "" {
		return name
	}
	return "now"
}

func slug(text string) string {
	return strings.Trim(notInNames.ReplaceAllString(strings.ToLower(text), "-"), "-")
}
