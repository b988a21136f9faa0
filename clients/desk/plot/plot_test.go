package plot

import (
	"encoding/xml"
	"errors"
	"flag"
	"html/template"
	"io"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

var update = flag.Bool("update", false, "write the golden files anew")

func about(id string) Text {
	return Text{ID: id, Title: "Visit 1", Desc: "Half take at most 76 minutes."}
}

// hill is a law with its peak in the middle.
func hill(first, n int) Law {
	l := Law{First: first}
	for i := range n {
		l.P = append(l.P, math.Exp(-math.Pow(float64(i-n/2)/float64(n)*5, 2)))
	}
	return l
}

func pictures() map[string]template.HTML {
	return map[string]template.HTML{
		"minutes": Minutes{Text: about("v1"), Law: hill(30, 120), Booked: 90, BookedText: "booked 90 min", Axis: "minutes"}.Draw(),
		"curves": Curves{Text: about("c"), Axis: "minutes",
			Curves: []Curve{{"One visit", hill(40, 90)}, {"Two visits", hill(60, 150)}}}.Draw(),
		"odds": Odds{Text: about("o"), Legend: "usual in this tooth",
			Rows: []Odd{{Label: "2 canals", P: 0.004, Before: 0.03}, {Label: "3 canals", P: 0.53, Before: 0.61}, {Label: "4 canals", P: 0.466, Before: 0.35}}}.Draw(),
		"spans": Spans{Text: about("s"), From: 0, To: 1, Percent: true, PointText: "found", MarkText: "meant",
			Rows: []Span{{"stayed within", 0.55, 0.71, 0.83, 0.8, true}}}.Draw(),
		"scatter":   Scatter{Text: about("p"), Points: []Point{{60, 72}, {90, 81}}, Across: "predicted", Up: "actual"}.Draw(),
		"histogram": Histogram{Text: about("h"), Counts: []int{3, 1, 0, 7}, Even: true, EvenText: "even", First: "shortest", Last: "longest"}.Draw(),
	}
}

func TestEachPictureIsAsItWas(t *testing.T) {
	for name, got := range pictures() {
		file := filepath.Join("testdata", name+".svg")
		if *update {
			if err := os.WriteFile(file, []byte(got), 0o600); err != nil {
				t.Fatal(err)
			}
		}
		want, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if string(want) != string(got) {
			t.Errorf("%s differs from %s; look at both, then -update", name, file)
		}
		whole(t, got)
	}
}

func TestMinutesBeyondTheBookedLengthAreHatchedAndNoOthers(t *testing.T) {
	svg := string(Minutes{Text: about("v"), Law: hill(1, 100), Booked: 60}.Draw())
	within, beyond := strings.Count(svg, `class="bar"`), strings.Count(svg, `class="bar beyond"`)
	if within != 12 || beyond == 0 || strings.Count(svg, "url(#v-h)") != beyond {
		t.Errorf("%d bars up to 60 minutes and %d hatched ones: want 12 and all others", within, beyond)
	}
}

func TestBinsAddUpToTheLaw(t *testing.T) {
	l := hill(3, 200)
	sum := 0.0
	for _, p := range l.bins() {
		sum += p
	}
	if sum < 0.99 || sum > 1+1e-9 {
		t.Errorf("the bins hold %v of the law", sum)
	}
	if got := (Law{First: 5, P: []float64{1, 1}}).bins(); len(got) != 2 || got[0] != 0.5 || got[1] != 0.5 {
		t.Errorf("minutes 5 and 6 lie in two bins of five minutes: %v", got)
	}
}

// Whatever is put in: well-formed, inside its frame, no style, nothing that is
// no number, and no text of somebody else as markup.
func TestAnyPictureIsWholeAndInsideItsFrame(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		value := rapid.OneOf(rapid.Float64(), rapid.SampledFrom([]float64{math.NaN(), math.Inf(1), math.Inf(-1), -1, 0, 1, 1e9}))
		text := Text{ID: rapid.String().Draw(t, "id"), Title: `<script>alert("x")</script>`, Desc: rapid.String().Draw(t, "desc")}
		law := Law{First: rapid.IntRange(-50, 2000).Draw(t, "first"), P: rapid.SliceOfN(value, 0, 60).Draw(t, "p")}
		label := rapid.String().Draw(t, "label")
		for _, svg := range []template.HTML{
			Minutes{Text: text, Law: law, Booked: rapid.IntRange(-10, 2000).Draw(t, "booked"), BookedText: label, Axis: label}.Draw(),
			Curves{Text: text, Curves: []Curve{{label, law}, {label, Law{}}}, Axis: label}.Draw(),
			Odds{Text: text, Legend: label, Rows: []Odd{{Label: label, P: value.Draw(t, "odds"), Before: value.Draw(t, "before")}}}.Draw(),
			Spans{Text: text, From: value.Draw(t, "from"), To: rapid.Float64Range(-10, 1000).Draw(t, "to"), Axis: label, PointText: label, MarkText: label,
				Rows: []Span{{label, value.Draw(t, "low"), value.Draw(t, "at"), value.Draw(t, "high"), value.Draw(t, "mark"), true}}}.Draw(),
			Scatter{Text: text, Points: []Point{{value.Draw(t, "predicted"), value.Draw(t, "actual")}}, Across: label, Up: label}.Draw(),
			Histogram{Text: text, Counts: rapid.SliceOfN(rapid.IntRange(-5, 1000), 0, 12).Draw(t, "counts"), Even: true, EvenText: label}.Draw(),
		} {
			whole(t, svg)
		}
	})
}

type failer interface {
	Helper()
	Fatalf(string, ...any)
}

var inPath = regexp.MustCompile(`-?[0-9.]+`)

// whole reads a picture as XML and checks each coordinate against the frame.
func whole(t failer, svg template.HTML) {
	t.Helper()
	text := string(svg)
	for _, bad := range []string{"NaN", "Inf", "style", "<script", "<style"} {
		if strings.Contains(regexp.MustCompile(`(?s)<(title|desc|text)[^>]*>.*?</`).ReplaceAllString(text, ""), bad) {
			t.Fatalf("%q stands in %s", bad, text)
		}
	}
	read := xml.NewDecoder(strings.NewReader(strings.Map(func(r rune) rune {
		if r < ' ' || r == '\ufffe' || r == '\uffff' { // HTML lets them pass, XML does not
			return ' '
		}
		return r
	}, text)))
	height, titles, drawing := 0.0, 0, true
	for {
		token, err := read.Token()
		if errors.Is(err, io.EOF) {
			break
		}
		if err != nil {
			t.Fatalf("%v in %s", err, text)
		}
		element, is := token.(xml.StartElement)
		if end, ended := token.(xml.EndElement); ended && end.Name.Local == "defs" {
			drawing = true
		}
		if !is {
			continue
		}
		of := map[string]string{}
		for _, a := range element.Attr {
			of[a.Name.Local] = a.Value
		}
		switch element.Name.Local {
		case "svg":
			parts := strings.Fields(of["viewBox"])
			height = value(t, parts[3])
			if of["role"] != "img" || of["aria-labelledby"] == "" {
				t.Fatalf("no role or no name: %s", text)
			}
		case "title", "desc":
			titles++
		case "defs":
			drawing = false
		case "rect":
			inside(t, value(t, of["x"]), value(t, of["y"]), height, text)
			inside(t, value(t, of["x"])+value(t, of["width"]), value(t, of["y"])+value(t, of["height"]), height, text)
		case "text":
			inside(t, value(t, of["x"]), value(t, of["y"]), height, text)
		case "circle":
			inside(t, value(t, of["cx"]), value(t, of["cy"]), height, text)
		case "path":
			if drawing {
				numbers := inPath.FindAllString(of["d"], -1)
				for i := 0; i+1 < len(numbers); i += 2 {
					inside(t, value(t, numbers[i]), value(t, numbers[i+1]), height, text)
				}
			}
		}
	}
	if titles != 2 {
		t.Fatalf("title and description are both needed: %s", text)
	}
}

func value(t failer, text string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(text, 64)
	if err != nil {
		t.Fatalf("%q is no number", text)
	}
	return v
}

func inside(t failer, x, y, height float64, text string) {
	t.Helper()
	if x < 0 || x > Width+0.05 || y < 0 || y > height+0.05 {
		t.Fatalf("(%v, %v) lies outside the frame of %v by %v: %s", x, y, Width, height, text)
	}
}
