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
	for name, body := range sources(t, ".html") {
		for _, found := range slices.Concat(keyInTemplate.FindAllStringSubmatch(body, -1), fieldLabel.FindAllStringSubmatch(body, -1)) {
			if !texts.has(found[1]) {
				t.Errorf("%s asks for the text %q, which is not in texts/en.json", name, found[1])
			}
		}
	}
	for name, body := range sources(t, ".go") {
		for _, found := range keyInCode.FindAllStringSubmatch(body, -1) {
			if !strings.HasSuffix(found[1], "-") && !strings.HasSuffix(found[1], ".") && !texts.has(found[1]) {
				t.Errorf("%s asks for the text %q, which is not in texts/en.json", name, found[1])
			}
		}
	}
}

// How the code makes a key out of parts: by an ending, by the beginning of a
// family ("now.group-", "role."), by a value of the contract, or by a section
// and what was done there.
var (
	endings   = []string{"", ".one", "-hint", "-do", "-month-first"}
	families  = regexp.MustCompile(`"([a-z-]+\.[a-zA-Z-]*-)"|[tT](?: \(print |\()"([a-z-]+\.)"`)
	enumFirst = regexp.MustCompile(`\bEnum\("([^"]+)"`)
	doneIn    = regexp.MustCompile(`\bdone\("([^"]+)"\)`)
)

func TestEveryTextOfTheCatalogueIsAskedForSomewhere(t *testing.T) {
	var all strings.Builder
	for _, suffix := range []string{".html", ".go"} {
		for _, body := range sources(t, suffix) {
			all.WriteString(body)
		}
	}
	code := all.String()
	var begin []string
	for _, found := range families.FindAllStringSubmatch(code, -1) {
		begin = append(begin, found[1]+found[2])
	}
	for _, found := range enumFirst.FindAllStringSubmatch(code, -1) {
		begin = append(begin, found[1]+"-")
	}
	for _, found := range doneIn.FindAllStringSubmatch(code, -1) {
		begin = append(begin, found[1]+".done-")
	}
	for key := range english(t).say {
		asked := slices.ContainsFunc(begin, func(first string) bool { return strings.HasPrefix(key, first) }) ||
			slices.ContainsFunc(endings, func(end string) bool {
				return strings.HasSuffix(key, end) && strings.Contains(code, `"`+strings.TrimSuffix(key, end)+`"`)
			})
		if !asked {
			t.Errorf("nothing asks for the text %q of texts/en.json", key)
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
