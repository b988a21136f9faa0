// Package holidays suggests public holidays as closures. It is a suggestion: a
// calendar library knows no one-off holiday that a government proclaimed last
// week, and a practice may work on a holiday, so a person corrects the list
// before it becomes closures.
package holidays

import (
	_ "embed"
	"encoding/json"
	"fmt"
	"slices"
	"sort"
	"sync"
	"time"

	"github.com/rickar/cal/v2"

	"github.com/visitwright/visitwright/scheduler/civil"
)

// Holiday is a day on which a practice of the region is probably closed.
type Holiday struct {
	Date civil.Date
	Name string
	// Source is "calendar library", "known one-off" or "by hand".
	Source string
}

// Correction adds or takes away one day.
type Correction struct {
	Date   civil.Date
	Remove bool
	Name   string // of the day that is added
}

// oneOff is a proclaimed holiday that the library does not know.
type oneOff struct {
	Regions []string   `json:"regions"`
	Date    civil.Date `json:"date"`
	Name    string     `json:"name"`
	Source  string     `json:"source"`
}

//go:embed oneoff.json
var oneOffFile []byte

var oneOffs = sync.OnceValues(func() ([]oneOff, error) {
	var out []oneOff
	if err := json.Unmarshal(oneOffFile, &out); err != nil {
		return nil, fmt.Errorf("known one-off holidays: %w", err)
	}
	return out, nil
})

// Regions returns the codes that Suggest knows, sorted: ISO 3166-1 country
// codes, and ISO 3166-2 codes where days differ inside a country.
func Regions() []string {
	out := make([]string, 0, len(regions))
	for code := range regions {
		out = append(out, code)
	}
	sort.Strings(out)
	return out
}

// The years for which rules are trusted; outside them the library computes
// dates that nobody has set.
const (
	firstYear = 2000
	lastYear  = 2100
)

// Suggest returns the holidays of the region in the year, in order, on the day
// on which they are observed. Only these days close a practice: the Saturday on
// which a holiday falls is an ordinary Saturday where Monday replaces it.
func Suggest(region string, year int) ([]Holiday, error) {
	rules, ok := regions[region]
	if !ok {
		return nil, fmt.Errorf("holiday region %q: want one of %v", region, Regions())
	}
	if year < firstYear || year > lastYear {
		return nil, fmt.Errorf("holiday year %d: want %d to %d", year, firstYear, lastYear)
	}
	names := map[civil.Date]Holiday{}
	// A day can be observed in another year than its own (1 January 2022).
	for y := year - 1; y <= year+1; y++ {
		for _, rule := range rules {
			if at, ok := observed(rule, y); ok {
				if got, _, _ := at.Parts(); got == year {
					names[at] = Holiday{at, rule.Name, "calendar library"}
				}
			}
		}
	}
	known, err := oneOffs()
	if err != nil {
		return nil, err
	}
	for _, o := range known {
		if y, _, _ := o.Date.Parts(); y == year && slices.Contains(o.Regions, region) {
			names[o.Date] = Holiday{o.Date, o.Name, "known one-off"}
		}
	}
	out := make([]Holiday, 0, len(names))
	for _, h := range names {
		out = append(out, h)
	}
	sort.Slice(out, func(i, j int) bool { return out[i].Date.Before(out[j].Date) })
	return out, nil
}

func observed(rule *cal.Holiday, year int) (civil.Date, bool) {
	_, obs := rule.Calc(year)
	if obs.IsZero() {
		return civil.Date{}, false
	}
	// The library returns midnight in the machine's zone; only the day counts.
	y, m, d := obs.Date()
	at, err := civil.NewDate(y, m, d)
	return at, err == nil
}

// Correct applies the practice's own changes. Taking away a day that is not
// there, or adding one that is, is an error: somebody looked at another list.
func Correct(suggested []Holiday, changes []Correction) ([]Holiday, error) {
	out := slices.Clone(suggested)
	for _, c := range changes {
		i := slices.IndexFunc(out, func(h Holiday) bool { return h.Date == c.Date })
		switch {
		case c.Date.IsZero():
			return nil, fmt.Errorf("holiday correction: the date is missing")
		case c.Remove && i < 0:
			return nil, fmt.Errorf("holiday correction: %s is not in the list, so it cannot be taken away", c.Date)
		case !c.Remove && i >= 0:
			return nil, fmt.Errorf("holiday correction: %s is in the list already as %s", c.Date, out[i].Name)
		case c.Remove:
			out = slices.Delete(out, i, i+1)
		default:
			out = append(out, Holiday{c.Date, c.Name, "by hand"})
		}
	}
	sort.Slice(out, func(i, j int) bool { return out[i].Date.Before(out[j].Date) })
	return out, nil
}

// Closures turns the corrected list into whole-day closures.
func Closures(list []Holiday) []civil.Closure {
	out := make([]civil.Closure, len(list))
	for i, h := range list {
		out[i] = civil.Closure{Days: civil.DateRange{First: h.Date, Last: h.Date}, Reason: h.Name}
	}
	return out
}

func fixed(name string, month time.Month, day int, moved []cal.AltDay) *cal.Holiday {
	return &cal.Holiday{Name: name, Type: cal.ObservanceBank, Month: month, Day: day, Observed: moved, Func: cal.CalcDayOfMonth}
}
