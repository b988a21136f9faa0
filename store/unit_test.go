package store

import (
	"errors"
	"net/url"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"
)

func TestIDsSortByTheirTimeAndAreIDs(t *testing.T) {
	at := time.Date(2026, 3, 3, 8, 0, 0, 0, time.UTC)
	rapid.Check(t, func(r *rapid.T) {
		a := at.Add(time.Duration(rapid.Int64Range(0, 1<<40).Draw(r, "a")) * time.Millisecond)
		b := a.Add(time.Duration(rapid.Int64Range(1, 1<<40).Draw(r, "later")) * time.Millisecond)
		x, y := newID(a), newID(b)
		if len(x) != 26 || !validID(x) || x >= y {
			r.Fatalf("%s at %v, %s at %v", x, a, y, b)
		}
	})
	if first, second := newID(at), newID(at); first == second {
		t.Error("two ids of one moment are the same")
	}
}

func TestWhatCannotBeAnIDIsNotRepeated(t *testing.T) {
	for _, id := range []string{"", "Quittenbaum", "a b", "a/b", "ä", strings.Repeat("a", 41)} {
		if validID(id) {
			t.Errorf("%q passes as an id", id)
		}
		if err := notFound("patients/" + id); id != "" && strings.Contains(err.Error(), id) {
			t.Errorf("%v repeats it", err)
		}
	}
}

func TestWordsAreFoundWithoutCaseAndAccents(t *testing.T) {
	got := indexWords(Contact{Label: "Éva Öl", Phone: "0043 (1) 555-0101"})
	want := []string{"b:eva", "p:4315550101", "t:550101", "w:eva", "w:ol"}
	if !slices.Equal(got, want) {
		t.Errorf("got %v, want %v", got, want)
	}
	if len(indexWords(Contact{Label: strings.Repeat("abcdefgh ijklmnop ", 40) + "zz"})) > maxWords {
		t.Error("more words than the limit")
	}
	if maxWords != 64 || shortestPrefix != 3 || longestPrefix != 6 || phoneTail != 6 {
		t.Error("the limits of the index have changed: what is kept must be indexed anew")
	}
}

func TestEveryWordOfALabelIsFound(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		label := rapid.StringN(0, 30, 60).Draw(r, "label")
		have := indexWords(Contact{Label: label})
		if len(have) == maxWords {
			return // cut
		}
		for _, w := range labelWords(label) {
			for _, q := range queryLabelWords(w) {
				if !slices.Contains(have, q) {
					r.Fatalf("%q of %q is not found: %v", q, label, have)
				}
			}
		}
	})
}

func TestAMaskMarksEveryCellThatIsTouched(t *testing.T) {
	minute := int64(time.Minute / time.Microsecond)
	for _, c := range []struct {
		from, to    int64 // minutes of the day
		first, last int
	}{
		{0, 5, 0, 0}, {0, 6, 0, 1}, {4, 5, 0, 0}, {4, 6, 0, 1}, {5, 10, 1, 1}, {1435, 1440, 287, 287},
		{-30, 3, 0, 0}, {1438, 1500, 287, 287}, {-100, 2000, 0, 287},
	} {
		var m Mask
		m.set(c.from*minute, c.to*minute)
		for i := range CellsPerDay {
			if want := i >= c.first && i <= c.last; m.Busy(i) != want {
				t.Errorf("%d to %d: cell %d is %v", c.from, c.to, i, m.Busy(i))
			}
		}
	}
	if dayOf(-1) != -1 || dayOf(0) != 0 || dayOf(dayUS-1) != 0 || dayOf(dayUS) != 1 || dayOf(-dayUS) != -1 {
		t.Error("days before 1970 are wrong")
	}
}

func TestMasksComeBackAsKeptAndDamageIsSeen(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		in := map[string]*Mask{}
		for i := range rapid.IntRange(0, 5).Draw(r, "resources") {
			m := Mask{byte(i)}
			in["room/"+strings.Repeat("x", i)] = &m
		}
		b := encodeMasks(in)
		out, err := decodeMasks(b)
		if err != nil || len(out) != len(in) {
			r.Fatal(err)
		}
		for k, m := range in {
			if *out[k] != *m {
				r.Fatalf("%s differs", k)
			}
		}
		if len(b) > 0 {
			if _, err := decodeMasks(b[:len(b)-1]); err == nil {
				r.Fatal("a cut document passes")
			}
		}
	})
}

func FuzzMasks(f *testing.F) {
	f.Add(encodeMasks(map[string]*Mask{"room/a": {1}}))
	f.Add([]byte{255})
	f.Fuzz(func(t *testing.T, b []byte) {
		if _, err := decodeMasks(b); err == nil {
			if _, err := (dayRow{Masks: b}).record(map[string]ResourceRef{}); err != nil {
				t.Error("one reader takes it, the other does not")
			}
		}
	})
}

func TestThePostgresURLLeavesNothingToDefaults(t *testing.T) {
	for _, c := range []struct{ in, sslmode string }{
		{"postgres://u@db.example:5432/v", "verify-full"},
		{"postgres://u@localhost/v", "verify-full"},
		{"postgres://u@db.example/v?sslmode=require", "require"},
		{"postgres:///v?host=/run/postgresql", "disable"},
	} {
		got, err := postgresDSN(c.in, true)
		if err != nil {
			t.Fatal(err)
		}
		u, err := url.Parse(got)
		if err != nil {
			t.Fatal(err)
		}
		q := u.Query()
		for key, want := range map[string]string{"sslmode": c.sslmode, "connect_timeout": "5", "statement_timeout": "5000",
			"lock_timeout": "2000", "idle_in_transaction_session_timeout": "10000", "timezone": "UTC", "application_name": "visitwright"} {
			if q.Get(key) != want {
				t.Errorf("%s: %s is %q, want %q", c.in, key, q.Get(key), want)
			}
		}
	}
	if _, err := postgresDSN("postgres://user:secret@[bad/v", true); err == nil || strings.Contains(err.Error(), "secret") {
		t.Errorf("a damaged URL: %v", err)
	}
}

func TestOpeningNamesWhatIsMissing(t *testing.T) {
	keys := mustKeys(t, "key 1 "+keyA)
	for name, c := range map[string]Config{
		"no keys":      {Database: "x.db", Clock: time.Now},
		"no database":  {Keys: keys, Clock: time.Now},
		"no clock":     {Keys: keys, Database: t.TempDir() + "/x.db"},
		"other scheme": {Keys: keys, Database: "mysql://x", Clock: time.Now},
	} {
		if s, err := Open(t.Context(), c); err == nil {
			_ = s.Close()
			t.Errorf("%s: opens", name)
		}
	}
}

func TestRulesOfTwoCyclesOverlapOnlyWhenTheirWeeksMeet(t *testing.T) {
	rapid.Check(t, func(r *rapid.T) {
		draw := func(name string) HoursRule {
			every := rapid.IntRange(1, 8).Draw(r, name+" every")
			return HoursRule{Weekday: 1, StartMinute: 0, EndMinute: 60, EveryWeeks: every, InWeek: rapid.IntRange(0, every-1).Draw(r, name+" in")}
		}
		a, b := draw("a"), draw("b")
		meet := false
		for week := range a.EveryWeeks * b.EveryWeeks {
			meet = meet || (week%a.EveryWeeks == a.InWeek && week%b.EveryWeeks == b.InWeek)
		}
		if a.overlaps(b) != meet || b.overlaps(a) != meet {
			r.Fatalf("%+v and %+v: overlaps %v, meet %v", a, b, a.overlaps(b), meet)
		}
	})
}

func TestAProblemIsItsKindAndHidesItsCause(t *testing.T) {
	cause := errors.New("driver text")
	err := error(&Problem{Kind: ErrInternal, Resource: "patients/a", Field: "f", cause: cause})
	if !errors.Is(err, ErrInternal) || errors.Is(err, cause) || strings.Contains(err.Error(), "driver") {
		t.Errorf("%v", err)
	}
	if !errors.Is(Cause(err), cause) || Cause(cause) != nil {
		t.Error("the cause is for the log")
	}
	taken := error(&Taken{Kind: KindRoom, Resource: "a"})
	if !errors.Is(taken, ErrTaken) {
		t.Error("taken is not ErrTaken")
	}
}

func TestLimitsAreWhatTheDocumentsSay(t *testing.T) {
	if RequestRetention != 24*time.Hour || ChangeRetention != 14*24*time.Hour || MaxDocument != 1<<20 || MaxTakeIn != 2000 ||
		DefaultPageSize != 50 || MaxPageSize != 1000 || AuditDelay != 20*time.Millisecond || MaxSpan != 24*time.Hour ||
		maxVisits != 16 || shortestHold != time.Minute || longestHold != 7*24*time.Hour || CellsPerDay != 288 {
		t.Error("a limit has changed: change the documents with it")
	}
}
