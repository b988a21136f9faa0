package desk

import (
	"io/fs"
	"os"
	"regexp"
	"slices"
	"strings"
	"testing"
)

var (
	keyInTemplate = regexp.MustCompile(`\.T\s+"([^"]+)"`)
	fieldLabel    = regexp.MustCompile(`\.Field\s+\S+\s+"[^"]+"\s+"[^"]+"\s+"([^"]+)"`)
	keyInCode     = regexp.MustCompile(`\b(?:q\.t|texts\.T|w\.T|v\.T|words\.T|\.T)\("([^"]+)"`)
)

func TestEveryTextThatAPageAsksForIsInTheCatalogue(t *testing.T) {
	texts := english(t)
	used := map[string]bool{}
	for name, body := range sources(t, ".html") {
		for _, found := range slices.Concat(keyInTemplate.FindAllStringSubmatch(body, -1), fieldLabel.FindAllStringSubmatch(body, -1)) {
			used[found[1]] = true
			if !texts.has(found[1]) {
				t.Errorf("%s asks for the text %q, which is not in texts/en.json", name, found[1])
			}
		}
	}
	for name, body := range sources(t, ".go") {
		for _, found := range keyInCode.FindAllStringSubmatch(body, -1) {
			used[found[1]] = true
			if !strings.HasSuffix(found[1], "-") && !strings.HasSuffix(found[1], ".") && !texts.has(found[1]) {
				t.Errorf("%s asks for the text %q, which is not in texts/en.json", name, found[1])
			}
		}
	}
}

// What stands between the tags and the actions of a page is shown as it is: it
// would stay English in every language.
func TestNoPageHasWordsOfItsOwn(t *testing.T) {
	action := regexp.MustCompile(`(?s)\{\{.*?\}\}`)
	tag := regexp.MustCompile(`(?s)<[^>]*>`)
	label := regexp.MustCompile(`\b(?:aria-label|title|placeholder|alt)="([^"]*)"`)
	attribute := regexp.MustCompile(`[\w-]+="[^"]*"`)
	letters := regexp.MustCompile(`\p{L}{2,}`)
	for name, body := range sources(t, ".html") {
		bare := action.ReplaceAllString(body, "")
		for _, l := range label.FindAllStringSubmatch(bare, -1) {
			if letters.MatchString(l[1]) {
				t.Errorf("%s: the label %q does not come from the catalogue", name, l[1])
			}
		}
		if words := letters.FindString(tag.ReplaceAllString(attribute.ReplaceAllString(bare, ""), " ")); words != "" {
			t.Errorf("%s: %q does not come from the catalogue", name, words)
		}
	}
}

func TestNoPageHasScriptOrStyleOfItsOwn(t *testing.T) {
	bad := regexp.MustCompile(`(?i)<script(?:\s*>|[^>]*[^r]>\s*\S)|<style|\sstyle=|\son[a-z]+=|javascript:|https?://[^w]`)
	for name, body := range sources(t, ".html") {
		if found := bad.FindString(body); found != "" && !strings.Contains(found, "<script src=") {
			t.Errorf("%s: %q: the content policy would not let it run", name, found)
		}
	}
}

func english(t *testing.T) *texts {
	t.Helper()
	texts, err := readTexts("en")
	if err != nil {
		t.Fatal(err)
	}
	return texts
}

// sources are the pages and parts, or the code, of this package.
func sources(t *testing.T, suffix string) map[string]string {
	t.Helper()
	out := map[string]string{}
	var from fs.FS = pageFiles
	if suffix == ".go" {
		from = codeFiles(t)
	}
	err := fs.WalkDir(from, ".", func(path string, e fs.DirEntry, err error) error {
		if err != nil || e.IsDir() || !strings.HasSuffix(path, suffix) || strings.HasSuffix(path, "_test.go") {
			return err
		}
		body, err := fs.ReadFile(from, path)
		out[path] = string(body)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	if len(out) == 0 {
		t.Fatalf("no %s files", suffix)
	}
	return out
}

func codeFiles(t *testing.T) fs.FS {
	t.Helper()
	return os.DirFS(".")
}
