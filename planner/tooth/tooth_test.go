package tooth

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"errors"
	"os"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

func published(t *testing.T, name string) [][]string {
	t.Helper()
	text, err := os.ReadFile("testdata/" + name)
	if err != nil {
		t.Fatal(err)
	}
	r := csv.NewReader(bytes.NewReader(text))
	r.Comment = '#'
	rows, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return rows[1:]
}

func TestEachPermanentToothAgreesWithThePublishedTableInAllNotations(t *testing.T) {
	rows := published(t, "permanent.csv")
	if len(rows) != 32 {
		t.Fatalf("the table has %d rows, want the 32 permanent teeth", len(rows))
	}
	seen := map[Code]bool{}
	for _, row := range rows {
		want := map[System]string{ISO: row[0], Universal: row[1], Quadrant: row[2], Corner: row[3]}
		tooth, err := Parse(row[0], ISO)
		if err != nil {
			t.Fatalf("ISO %s: %v", row[0], err)
		}
		seen[tooth] = true
		for sys, text := range want {
			if got, err := Parse(text, sys); err != nil || got != tooth {
				t.Errorf("%s in %s read as %v, %v; want %s", text, sys, got, err, tooth)
			}
			if got := tooth.In(sys); got != text {
				t.Errorf("%s written in %s as %s, want %s", tooth, sys, got, text)
			}
		}
		if got, err := Parse(row[3], Quadrant); err != nil || got != tooth {
			t.Errorf("the corner symbol %s is not read as quadrant notation: %v, %v", row[3], got, err)
		}
		if got := tooth.Words(); got != row[4] {
			t.Errorf("%s has the words %q, want %q", tooth, got, row[4])
		}
		if !strings.HasSuffix(row[4], strings.SplitN(tooth.Kind().Words(), " ", 2)[1]) {
			t.Errorf("%s is of kind %s, which does not fit %q", tooth, tooth.Kind(), row[4])
		}
	}
	for _, c := range All() {
		if !seen[c] {
			t.Errorf("%s is in no row of the table", c)
		}
	}
}

func TestPrimaryTeethAreRefusedInEveryNotationAndNamed(t *testing.T) {
	rows := published(t, "primary.csv")
	if len(rows) != 20 {
		t.Fatalf("the table has %d rows, want the 20 primary teeth", len(rows))
	}
	for _, row := range rows {
		for sys, text := range map[System]string{ISO: row[0], Universal: row[1], Quadrant: row[2], Corner: row[3]} {
			_, err := Parse(text, sys)
			if !errors.Is(err, ErrPrimary) {
				t.Errorf("%s in %s: %v, want a refusal as a primary tooth", text, sys, err)
				continue
			}
			if !strings.Contains(err.Error(), row[4]) {
				t.Errorf("%s in %s is refused with %q, which does not name the %s", text, sys, err, row[4])
			}
		}
		// without a system the letters A-E mean two teeth, yet both are primary
		for _, text := range []string{row[0], row[1], row[2]} {
			if _, err := Parse(text, Unstated); !errors.Is(err, ErrPrimary) {
				t.Errorf("%s without a system: %v, want a refusal as a primary tooth", text, err)
			}
		}
	}
	if _, err := Parse("20d", Universal); !errors.Is(err, ErrPrimary) || !strings.Contains(err.Error(), "lower right primary second molar") {
		t.Errorf("20d, a variant of T: %v", err)
	}
}

func TestANumberThatMeansTwoTeethIsNeverGuessed(t *testing.T) {
	// 11-18, 21-28 and 31-32 are permanent teeth in both systems.
	both := []string{"31", "32"}
	for _, c := range All()[:16] {
		both = append(both, c.In(ISO))
	}
	for _, text := range both {
		_, err := Parse(text, Unstated)
		if !errors.Is(err, ErrAmbiguous) {
			t.Errorf("%s without a system: %v, want a refusal as ambiguous", text, err)
		}
	}
	_, err := Parse("14", Unstated)
	for _, part := range []string{"upper right first premolar", "upper left first molar", "state the system"} {
		if !strings.Contains(err.Error(), part) {
			t.Errorf("the refusal of 14 does not mention %q: %v", part, err)
		}
	}
	if _, err := Parse("6", Unstated); !errors.Is(err, ErrAmbiguous) {
		t.Errorf("a bare 6 without a quadrant: %v, want a refusal as ambiguous", err)
	}
}

func TestWithoutASystemATextThatIsOneToothOnlyIsRead(t *testing.T) {
	for text, want := range map[string]Code{"46": 46, "33": 33, "38": 38, "48": 48, "30": 46, "19": 36, "9": 21, "LR6": 46, "lr 6": 46, "6┐": 46, "└4": 24} {
		if got, err := Parse(text, Unstated); err != nil || got != want {
			t.Errorf("%s read as %v, %v; want %s", text, got, err, want)
		}
	}
}

func TestWhatIsNoToothIsRefusedWithWhatWouldBeRight(t *testing.T) {
	cases := []struct {
		text string
		sys  System
	}{
		{"", ISO}, {"  ", Unstated}, {"0", ISO}, {"6", ISO}, {"10", ISO}, {"19", ISO}, {"40", ISO}, {"49", ISO}, {"50", ISO},
		{"56", ISO}, {"66", ISO}, {"78", ISO}, {"88", ISO}, {"99", ISO}, {"046", ISO}, {"4.6", ISO}, {"-4", ISO}, {"LR6", ISO}, {"４６", ISO},
		{"0", Universal}, {"33", Universal}, {"06", Universal}, {"U", Universal}, {"46", Universal}, {"21d", Universal},
		{"LR", Quadrant}, {"LR0", Quadrant}, {"LR9", Quadrant}, {"LRF", Quadrant}, {"RL6", Quadrant}, {"46", Quadrant}, {"6LR", Quadrant},
		{"┐6", Quadrant}, {"6└", Corner}, // the symbol on the wrong side could mean the mirror tooth
		{"99", Unstated}, {"tooth forty-six", Unstated}, {"46", System(99)},
	}
	for _, c := range cases {
		got, err := Parse(c.text, c.sys)
		if err == nil || got != 0 {
			t.Errorf("%q in %s read as %v", c.text, c.sys, got)
			continue
		}
		var refusal *Refusal
		if !errors.As(err, &refusal) || refusal.Want == "" || refusal.Reason == "" {
			t.Errorf("%q in %s is refused without saying what would be right: %v", c.text, c.sys, err)
		}
	}
}

func TestARefusalDoesNotRepeatALongText(t *testing.T) {
	_, err := Parse("Maria Example, 555 0100", ISO)
	if err == nil || strings.Contains(err.Error(), "Example") {
		t.Errorf("the refusal repeats what may be a patient's name: %v", err)
	}
}

func TestOppositeTeethMirrorEachOther(t *testing.T) {
	for _, c := range All() {
		o := c.Contralateral()
		if o == c || o.Contralateral() != c || o.Kind() != c.Kind() || o.Side() == c.Side() || o.Arch() != c.Arch() {
			t.Errorf("%s has the contralateral tooth %s", c.Words(), o.Words())
		}
	}
}

func TestTheSixteenKindsCoverAllTeethTwice(t *testing.T) {
	count := map[Kind]int{}
	for _, c := range All() {
		count[c.Kind()]++
		if c.Class() != c.Kind().Class() || c.Arch() != c.Kind().Arch() {
			t.Errorf("%s and its kind %s disagree", c, c.Kind())
		}
	}
	for _, k := range Kinds() {
		if count[k] != 2 {
			t.Errorf("%s stands for %d teeth, want one on each side", k, count[k])
		}
	}
	if got := Code(46).Kind(); got != MandibularFirstMolar || got.Words() != "lower first molar" || got.Class() != Molar {
		t.Errorf("46 is of kind %s (%s)", got, got.Words())
	}
}

func TestAToothNotYetIdentifiedSaysSo(t *testing.T) {
	var c Code
	if c.Label(ISO) != "tooth not yet identified" || c.In(ISO) != "" || c.Kind() != "" || c.Class() != "" || c.Side() != "" || c.Position() != 0 || c.Contralateral() != 0 {
		t.Errorf("the zero tooth pretends to be one: %q", c.Label(ISO))
	}
	if got := Code(46).Label(Universal); got != "30, lower right first molar" {
		t.Errorf("label %q", got)
	}
}

func TestATravellingToothKeepsItsISOCode(t *testing.T) {
	type holder struct {
		Tooth Code `json:"tooth"`
	}
	text, err := json.Marshal(holder{46})
	if err != nil || string(text) != `{"tooth":"46"}` {
		t.Fatalf("%s, %v", text, err)
	}
	var back holder
	if err := json.Unmarshal(text, &back); err != nil || back.Tooth != 46 {
		t.Fatalf("%v, %v", back, err)
	}
	if err := json.Unmarshal([]byte(`{"tooth":""}`), &back); err != nil || back.Tooth != 0 {
		t.Errorf("an empty code is a tooth not identified: %v, %v", back, err)
	}
	if err := json.Unmarshal([]byte(`{"tooth":"85"}`), &back); !errors.Is(err, ErrPrimary) {
		t.Errorf("85: %v", err)
	}
	if _, err := json.Marshal(holder{99}); err == nil {
		t.Error("99 was written as a tooth")
	}
}

func TestSettingsNameTheirNotation(t *testing.T) {
	for name, want := range map[string]System{"iso": ISO, "universal": Universal, "quadrant": Quadrant, "corner": Corner} {
		if got, err := ParseSystem(name); err != nil || got != want {
			t.Errorf("%s: %v, %v", name, got, err)
		}
	}
	if _, err := ParseSystem("imperial"); err == nil {
		t.Error("imperial was taken as a notation")
	}
}

func TestWhatIsWrittenIsReadBack(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		c := rapid.SampledFrom(All()).Draw(t, "tooth")
		sys := rapid.SampledFrom([]System{ISO, Universal, Quadrant, Corner}).Draw(t, "system")
		if got, err := Parse(c.In(sys), sys); err != nil || got != c {
			t.Fatalf("%s written as %s in %s came back as %v, %v", c, c.In(sys), sys, got, err)
		}
	})
}

func FuzzParse(f *testing.F) {
	for _, s := range []string{"46", "LR6", "6┐", "└4", "T", "20d", "14", "", "ＬＲ６", "lr 6", "\xff6"} {
		for sys := Unstated; sys <= Corner; sys++ {
			f.Add(s, uint8(sys))
		}
	}
	f.Fuzz(func(t *testing.T, s string, sys uint8) {
		c, err := Parse(s, System(sys))
		if (err == nil) != c.Valid() {
			t.Fatalf("%q in %s gave %d with error %v", s, System(sys), c, err)
		}
		if err != nil {
			if err.Error() == "" {
				t.Fatal("a refusal without a reason")
			}
			return
		}
		write := System(sys)
		if back, err := Parse(c.In(write), write); write != Unstated && (err != nil || back != c) {
			t.Fatalf("%q in %s does not come back: %v, %v", s, write, back, err)
		}
	})
}
