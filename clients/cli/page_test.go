package cli

import (
	"strings"
	"testing"
	"unicode/utf8"

	"pgregory.net/rapid"
)

func TestDrawnRowsHoldAllOfTheDistribution(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		weights := rapid.SliceOfN(rapid.Float64Range(0, 1), 2, 400).Draw(t, "weights")
		// Something of it is there to be drawn.
		weights[rapid.IntRange(0, len(weights)-1).Draw(t, "where")] = rapid.Float64Range(1e-6, 1).Draw(t, "some")
		var sum float64
		for _, w := range weights {
			sum += w
		}
		for i := range weights {
			weights[i] /= sum
		}
		rows := bars(weights, 14)
		var total float64
		for i, row := range rows {
			total += row.p
			if i > 0 && row.from != rows[i-1].to+1 {
				t.Fatalf("a gap before the row from %d min", row.from)
			}
		}
		if total < 1-1e-9 || total > 1+1e-9 {
			t.Fatalf("the rows hold %v of the distribution", total)
		}
		if len(rows) > 14 {
			t.Fatalf("%d rows, want at most 14", len(rows))
		}
	})
}

func TestALineIsNeverWiderThanThePage(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		words := rapid.SliceOf(rapid.StringMatching(`[a-z]{1,12}`)).Draw(t, "words")
		var out strings.Builder
		page := NewPage(&out)
		text := strings.Join(words, " ")
		page.Text("%s", text)
		page.Item("%s", text)
		page.Table([]string{"visit", ">minutes", "why"}, [][]string{{"1", "60", text}, {"2", "45", "short"}})
		if err := page.Close(); err != nil {
			t.Fatal(err)
		}
		for line := range strings.SplitSeq(out.String(), "\n") {
			if n := utf8.RuneCountInString(line); n > Width {
				t.Fatalf("%d columns: %q", n, line)
			}
		}
	})
}

func TestATableAlignsNumbersRight(t *testing.T) {
	var out strings.Builder
	page := NewPage(&out)
	page.Table([]string{"visit", ">length"}, [][]string{{"first", "90 min"}, {"second", "105 min"}})
	if err := page.Close(); err != nil {
		t.Fatal(err)
	}
	want := "visit    length\n------  -------\nfirst    90 min\nsecond  105 min\n"
	if out.String() != want {
		t.Errorf("got\n%swant\n%s", out.String(), want)
	}
}
