package desk

import (
	"embed"
	"encoding/json"
	"fmt"
	"html/template"
	"strconv"
	"strings"

	"github.com/visitwright/visitwright/clients/odds"
)

//go:embed texts
var textFiles embed.FS

// texts are all words of the desk in one language: one file a language,
// sections by page. What the service says (reasons, headlines, cautions) comes
// from the service.
type texts struct {
	language string
	say      map[string]string
}

// readTexts reads texts/{language}.json: sections of keys with their sentences.
// {0}, {1} stand for what is put in; a key that ends in ".one" is used in place
// of the key itself when the first thing put in is 1.
func readTexts(language string) (*texts, error) {
	body, err := textFiles.ReadFile("texts/" + language + ".json")
	if err != nil {
		return nil, err
	}
	var sections map[string]map[string]string
	if err := json.Unmarshal(body, &sections); err != nil {
		return nil, fmt.Errorf("texts/%s.json: %w", language, err)
	}
	t := &texts{language: language, say: map[string]string{}}
	for section, keys := range sections {
		for key, text := range keys {
			t.say[section+"."+key] = text
		}
	}
	return t, nil
}

func (t *texts) has(key string) bool { _, known := t.say[key]; return known }

// T is the text of a key. A key that is not there is shown in brackets, and a
// test finds it first.
func (t *texts) T(key string, args ...any) string {
	if len(args) > 0 && fmt.Sprint(args[0]) == "1" && t.has(key+".one") {
		key += ".one"
	}
	text, known := t.say[key]
	if !known {
		return "[" + key + "]"
	}
	for i, a := range args {
		text = strings.ReplaceAll(text, "{"+strconv.Itoa(i)+"}", fmt.Sprint(a))
	}
	return text
}

// Has reports whether there is such a text.
func (t *texts) Has(key string) bool { return t.has(key) }

// Lines breaks a text of several lines into paragraphs.
func (t *texts) Lines(text string) []string {
	var lines []string
	for line := range strings.SplitSeq(text, "\n") {
		if line = strings.TrimSpace(line); line != "" {
			lines = append(lines, line)
		}
	}
	return lines
}

// functions are what every template may call without a request.
func functions(a *assets) template.FuncMap {
	return template.FuncMap{
		"asset":    a.address,
		"with2":    func(a, b any) [2]any { return [2]any{a, b} },
		"add":      func(a, b int) int { return a + b },
		"join":     strings.Join,
		"id":       lastPart,
		"odds":     odds.Words,
		"sentence": sentence,
		// An offer with a request id of its own, parts/offer.html.
		"offerOf": offerOf,
	}
}

// lastPart is the id in a resource name.
func lastPart(name string) string { return name[strings.LastIndexByte(name, '/')+1:] }
