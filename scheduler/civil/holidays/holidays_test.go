package holidays_test

import (
	"slices"
	"strings"
	"testing"

	"github.com/visitwright/visitwright/scheduler/civil"
	"github.com/visitwright/visitwright/scheduler/civil/holidays"
)

// The days were read from the library and from a second, independent calendar
// package (2022 and 2026), and from the library alone (2027, 2028).
func TestObservedDaysOfTheNationsOfTheUnitedKingdom(t *testing.T) {
	for _, row := range []struct {
		region string
		year   int
		want   string
	}{
		{"GB-ENG", 2022, "01-03 04-15 04-18 05-02 06-02 06-03 08-29 09-19 12-26 12-27"},
		{"GB-ENG", 2026, "01-01 04-03 04-06 05-04 05-25 08-31 12-25 12-28"},
		{"GB-ENG", 2027, "01-01 03-26 03-29 05-03 05-31 08-30 12-27 12-28"},
		{"GB-WLS", 2028, "01-03 04-14 04-17 05-01 05-29 08-28 12-25 12-26"},
		{"GB-SCT", 2026, "01-01 01-02 04-03 05-04 05-25 08-03 11-30 12-25 12-28"},
		{"GB-NIR", 2026, "01-01 03-17 04-03 04-06 05-04 05-25 07-13 08-31 12-25 12-28"},
		// 1 and 2 January 2022 fell on Saturday and Sunday, those of 2023 on
		// Sunday and Monday: two working days are closed in either year.
		{"GB-SCT", 2022, "01-03 01-04 04-15 05-02 06-02 06-03 08-01 09-19 11-30 12-26 12-27"},
	} {
		got, err := holidays.Suggest(row.region, row.year)
		if err != nil {
			t.Fatal(err)
		}
		var days []string
		for _, h := range got {
			days = append(days, h.Date.String()[5:])
		}
		if s := strings.Join(days, " "); s != row.want {
			t.Errorf("%s %d:\n got %s\nwant %s", row.region, row.year, s, row.want)
		}
	}
}

func TestEveryRegionHasHolidaysInOrderAndInsideTheYear(t *testing.T) {
	for _, region := range holidays.Regions() {
		got, err := holidays.Suggest(region, 2027)
		if err != nil {
			t.Fatal(err)
		}
		if len(got) < 5 {
			t.Errorf("%s: only %d holidays", region, len(got))
		}
		if !slices.IsSortedFunc(got, func(a, b holidays.Holiday) int { return a.Date.DaysSince(b.Date) }) {
			t.Errorf("%s: not in order", region)
		}
		for _, h := range got {
			if y, _, _ := h.Date.Parts(); y != 2027 || h.Name == "" || h.Source == "" {
				t.Errorf("%s: %+v", region, h)
			}
		}
	}
}

func TestAPersonCorrectsTheSuggestionBeforeItClosesThePractice(t *testing.T) {
	list, err := holidays.Suggest("GB-ENG", 2026)
	if err != nil {
		t.Fatal(err)
	}
	fixed, err := holidays.Correct(list, []holidays.Correction{
		{Date: civil.MustDate("2026-08-31"), Remove: true},
		{Date: civil.MustDate("2026-12-24"), Name: "Closed from noon on, taken as a whole day"},
	})
	if err != nil {
		t.Fatal(err)
	}
	calendar := civil.Calendar{
		Hours:    civil.Always(civil.EveryWeek(civil.Week{1: {{From: 540, To: 1020}}, 4: {{From: 540, To: 1020}}})),
		Closures: holidays.Closures(fixed),
	}
	if !calendar.IsWorkingDay(civil.MustDate("2026-08-31")) {
		t.Error("the practice decided to work on the summer holiday")
	}
	for _, shut := range []string{"2026-05-25", "2026-12-24"} {
		if calendar.IsWorkingDay(civil.MustDate(shut)) {
			t.Errorf("%s: want closed", shut)
		}
	}
}

func TestCorrectionsThatDoNotFitTheListAreRefused(t *testing.T) {
	list, _ := holidays.Suggest("GB-ENG", 2026)
	for _, c := range []holidays.Correction{
		{Date: civil.MustDate("2026-06-01"), Remove: true},
		{Date: civil.MustDate("2026-12-25"), Name: "again"},
		{Name: "no date"},
	} {
		if _, err := holidays.Correct(list, []holidays.Correction{c}); err == nil {
			t.Errorf("%+v: want an error", c)
		}
	}
	for region, year := range map[string]int{"XX": 2026, "GB-ENG": 1999} {
		if _, err := holidays.Suggest(region, year); err == nil {
			t.Errorf("%s %d: want an error", region, year)
		}
	}
}
