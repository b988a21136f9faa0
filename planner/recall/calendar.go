// Package recall knows when a tooth is looked at again and what a review means.
//
// It speaks in months and days from the anchor event of a calendar (the
// filling, the injury); dates, month ends and closed days are the caller's.
package recall

import (
	"embed"
	"encoding/json"
	"fmt"
	"sync"

	"github.com/visitwright/visitwright/planner/provenance"
)

//go:embed calendars.json
var files embed.FS

// Offset is a distance from the anchor event: calendar months first, then days.
type Offset struct {
	Months int `json:"months"`
	Days   int `json:"days"`
}

// days orders offsets; a month counts 30.4375 days, used for comparing only.
func (o Offset) days() float64 { return float64(o.Months)*30.4375 + float64(o.Days) }

// Before orders two offsets from the same anchor.
func (o Offset) Before(p Offset) bool { return o.days() < p.days() }

// Point is one review of a calendar as published: a month count, or a number
// of weeks, or a range of weeks.
type Point struct {
	Label   string `json:"label"`
	Months  int    `json:"months,omitempty"`
	Weeks   int    `json:"weeks,omitempty"`
	ToWeeks int    `json:"to_weeks,omitempty"`
}

// Anchor is the event from which a calendar counts.
type Anchor string

const (
	// Filling is the day on which the canals were filled (or the plug, the
	// pulp cover or the revitalisation was completed).
	Filling Anchor = "filling"
	// Injury is the day of the injury.
	Injury Anchor = "injury"
	// Restoration is the day of the definitive restoration.
	Restoration Anchor = "restoration"
)

// Calendar is one published series of reviews.
type Calendar struct {
	ID      string  `json:"id"`
	Name    string  `json:"name"`
	Anchor  Anchor  `json:"anchor"`
	Edition string  `json:"edition"`
	Points  []Point `json:"points"`
	// YearlyToYears continues the series once a year up to this year, 0 for not
	// at all; YearlyWhile is "always" or "not-healed".
	YearlyToYears int             `json:"yearly_to_years,omitempty"`
	YearlyWhile   string          `json:"yearly_while,omitempty"`
	Mark          provenance.Mark `json:"mark"`
}

// Review is one review of a series with its bounds.
type Review struct {
	Label                    string
	Earliest, Target, Latest Offset
}

type document struct {
	Calendars []Calendar `json:"calendars"`
	Tolerance struct {
		EarlyShare float64         `json:"early_share"`
		LateShare  float64         `json:"late_share"`
		LeastDays  int             `json:"least_days"`
		Mark       provenance.Mark `json:"mark"`
	} `json:"tolerance"`
	Index struct {
		Scale []struct {
			Score   int    `json:"score"`
			Meaning string `json:"meaning"`
		} `json:"scale"`
		Mark         provenance.Mark `json:"mark"`
		HealedAtMost int             `json:"healed_at_most"`
		RuleMark     provenance.Mark `json:"rule_mark"`
	} `json:"index"`
}

var load = sync.OnceValues(func() (document, error) {
	var d document
	raw, err := files.ReadFile("calendars.json")
	if err != nil {
		return d, fmt.Errorf("recall calendars: %w", err)
	}
	if err := json.Unmarshal(raw, &d); err != nil {
		return d, fmt.Errorf("recall calendars: %w", err)
	}
	return d, nil
})

// Calendars lists every calendar that ships, in the order of the data file.
func Calendars() ([]Calendar, error) {
	d, err := load()
	return d.Calendars, err
}

// Find returns a calendar by its catalogue id, or an error that says where the
// ids are listed.
func Find(id string) (Calendar, error) {
	all, err := Calendars()
	if err != nil {
		return Calendar{}, err
	}
	for _, c := range all {
		if c.ID == id {
			return c, nil
		}
	}
	return Calendar{}, fmt.Errorf("recall calendar %q is not in the catalogue; the ids are listed with the review calendars", id)
}

// Reviews lists the whole series, the yearly ones included, as if each were
// needed: what a review finds may end it earlier, see Next.
func (c Calendar) Reviews() ([]Review, error) {
	d, err := load()
	if err != nil {
		return nil, err
	}
	points := c.Points
	for year := c.lastYear() + 1; year <= c.YearlyToYears; year++ {
		points = append(points[:len(points):len(points)], Point{Label: fmt.Sprintf("%d years", year), Months: 12 * year})
	}
	var out []Review
	var before float64
	for _, p := range points {
		r := Review{Label: p.Label}
		switch {
		case p.ToWeeks > 0:
			// A published range is its own window; the target is its middle.
			r.Earliest, r.Latest = Offset{Days: 7 * p.Weeks}, Offset{Days: 7 * p.ToWeeks}
			r.Target = Offset{Days: 7 * (p.Weeks + p.ToWeeks) / 2}
		default:
			r.Target = Offset{Months: p.Months, Days: 7 * p.Weeks}
			interval := r.Target.days() - before
			early := max(int(d.Tolerance.EarlyShare*interval), d.Tolerance.LeastDays)
			late := max(int(d.Tolerance.LateShare*interval), d.Tolerance.LeastDays)
			r.Earliest = Offset{Months: r.Target.Months, Days: r.Target.Days - early}
			r.Latest = Offset{Months: r.Target.Months, Days: r.Target.Days + late}
		}
		before = r.Target.days()
		out = append(out, r)
	}
	return out, nil
}

// lastYear is the last whole year that the listed points reach.
func (c Calendar) lastYear() int {
	var months int
	for _, p := range c.Points {
		months = max(months, p.Months)
	}
	return months / 12
}
