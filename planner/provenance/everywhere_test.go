package provenance

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
)

// noFigures are numbers in data files that say nothing about patients, teeth or
// minutes, each with its reason.
var noFigures = map[string]string{
	"planner/calibration/prior.json .grid": "the points at which the posterior is computed; its results do not depend on them (calibration's tests against closed forms)",
}

// TestEveryNumberInEveryDataFileHasAProvenance walks the files themselves, so
// that a file which its own package forgets to look at is found too.
func TestEveryNumberInEveryDataFileHasAProvenance(t *testing.T) {
	all := os.DirFS("../..")
	files, numbers := 0, 0
	for _, root := range []string{"planner", "scheduler"} {
		err := fs.WalkDir(all, root, func(path string, d fs.DirEntry, err error) error {
			switch {
			case err != nil:
				return err
			case d.IsDir() && (d.Name() == "testdata" || d.Name() == "holidays" || d.Name() == "node_modules"):
				return fs.SkipDir // tests' own tables; public holidays are no clinical figures
			case d.IsDir() || filepath.Ext(path) != ".json" && filepath.Ext(path) != ".csv":
				return nil
			}
			text, err := fs.ReadFile(all, path)
			if err != nil {
				return err
			}
			n, bare, err := bareNumbers(path, text)
			if err != nil {
				t.Errorf("%s: %v", path, err)
			}
			for _, b := range bare {
				t.Errorf("%s has no provenance", b)
			}
			files, numbers = files+1, numbers+n
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	t.Logf("%d numbers in %d files", numbers, files)
	if files < 45 || numbers < 1200 {
		t.Errorf("%d numbers in %d files: the walk missed some", numbers, files)
	}
}

func TestABareNumberIsFoundInAnyKindOfFile(t *testing.T) {
	for name, c := range map[string]struct{ file, text string }{
		"in a JSON object":                         {"x.json", `{"days": 7}`},
		"beside a marked one":                      {"x.json", `{"least": {"v": 7, "kind": "practice", "source": "usual"}, "most": {"v": 28}}`},
		"under a mark without a source":            {"x.json", `{"days": {"value": 7, "mark": {"kind": "published", "source": ""}}}`},
		"under a kind that nobody knows":           {"x.json", `{"days": {"value": 7, "mark": {"kind": "surely", "source": "x"}}}`},
		"beside the mark of something else":        {"x.json", `{"agents": [1], "agents_mark": {"kind": "assumed", "source": "x"}, "most_mg": 300}`},
		"with a source that marks.json lacks":      {"planner/protocol/data/x.json", `{"median": {"v": 7, "src": "nowhere"}}`},
		"in a row of a table":                      {"x.csv", "agent,mg,mark,source\nlidocaine,300,,\n"},
		"in a row with a standing and no source":   {"x.csv", "agent,mg,mark,source\nlidocaine,300,memory,\n"},
		"in a column whose own standing is absent": {"x.csv", "sign,sensitivity,sens_mark,sens_source,spec_mark,spec_source\nfilm,67,published,read,,\n"},
		"in a table without the columns":           {"x.csv", "agent,mg\nlidocaine,300\n"},
	} {
		if _, bare, err := bareNumbers(c.file, []byte(c.text)); err != nil || len(bare) == 0 {
			t.Errorf("a number %s was not found (%v)", name, err)
		}
	}
	for file, text := range map[string]string{
		"x.json": `{"least": {"v": 7, "kind": "practice", "source": "usual"}, "agents": [1, 2], "agents_mark": {"kind": "assumed", "source": "x"}}`,
		"x.csv":  "# 12 is a comment\nagent,mg,mark,source\nlidocaine,300,published,read\n",
	} {
		if n, bare, err := bareNumbers(file, []byte(text)); err != nil || n == 0 || len(bare) > 0 {
			t.Errorf("%s: %d numbers, %v, %v", file, n, bare, err)
		}
	}
}

// bareNumbers counts the numbers of a file and lists those without provenance.
func bareNumbers(name string, text []byte) (int, []string, error) {
	if filepath.Ext(name) == ".csv" {
		return bareCells(name, text)
	}
	var of map[string]Mark // what a "src" refers to
	if strings.HasPrefix(name, "planner/protocol/") {
		marks, err := os.ReadFile("../protocol/data/marks.json")
		if err != nil {
			return 0, nil, err
		}
		if err := json.Unmarshal(marks, &of); err != nil {
			return 0, nil, err
		}
	}
	var all any
	if err := json.Unmarshal(text, &all); err != nil {
		return 0, nil, err
	}
	w := walk{name: name, of: of}
	w.value(all, "", false)
	return w.numbers, w.bare, nil
}

type walk struct {
	name    string
	of      map[string]Mark
	numbers int
	bare    []string
}

// value walks what stands at a path; marked says whether what encloses it names
// its provenance.
func (w *walk) value(v any, path string, marked bool) {
	switch v := v.(type) {
	case float64:
		w.numbers++
		if !marked {
			w.bare = append(w.bare, fmt.Sprintf("%s %s = %v", w.name, path, v))
		}
	case []any:
		for i, e := range v {
			w.value(e, fmt.Sprintf("%s[%d]", path, i), marked)
		}
	case map[string]any:
		marked = marked || w.marked(v)
		for key, e := range v {
			at := path + "." + key
			_, none := noFigures[w.name+" "+at]
			w.value(e, at, marked || none || valid(v[key+"_mark"]))
		}
	}
}

func (w *walk) marked(o map[string]any) bool {
	if src, ok := o["src"].(string); ok {
		m, there := w.of[src]
		return there && m.Validate() == nil
	}
	return valid(o["mark"]) || valid(o)
}

// valid says whether v is an object with the kind and source of a mark.
func valid(v any) bool {
	o, _ := v.(map[string]any)
	kind, _ := o["kind"].(string)
	source, _ := o["source"].(string)
	return Mark{Kind(kind), source}.Validate() == nil
}

// bareCells does the same for a table: each row has to fill all of its columns
// for standing and source.
func bareCells(name string, text []byte) (int, []string, error) {
	r := csv.NewReader(bytes.NewReader(text))
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil || len(rows) == 0 {
		return 0, nil, fmt.Errorf("no table: %w", err)
	}
	column := func(name string) int { return slices.Index(rows[0], name) }
	var marks [][2]int
	for i, head := range rows[0] {
		if head == "mark" || strings.HasSuffix(head, "_mark") {
			marks = append(marks, [2]int{i, column(strings.TrimSuffix(head, "mark") + "source")})
		}
	}
	numbers, bare := 0, []string(nil)
	for line, row := range rows[1:] {
		marked := len(marks) > 0
		for _, m := range marks {
			marked = marked && m[1] >= 0 && Mark{Kind(row[m[0]]), row[m[1]]}.Validate() == nil
		}
		for i, cell := range row {
			if _, err := strconv.ParseFloat(cell, 64); err != nil {
				continue
			}
			numbers++
			if !marked {
				bare = append(bare, fmt.Sprintf("%s row %d, %s = %s", name, line+1, rows[0][i], cell))
			}
		}
	}
	return numbers, bare, nil
}
