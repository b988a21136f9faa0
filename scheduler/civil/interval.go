package civil

import (
	"fmt"
	"time"
)

// Interval is a stretch of real time, from Start up to and not including End.
type Interval struct {
	Start time.Time `json:"start"`
	End   time.Time `json:"end"`
}

// NewInterval returns the interval in UTC and refuses an end that does not
// come after the start.
func NewInterval(start, end time.Time) (Interval, error) {
	if !end.After(start) {
		return Interval{}, fmt.Errorf("end %s: want a time after the start %s",
			end.UTC().Format(time.RFC3339), start.UTC().Format(time.RFC3339))
	}
	return Interval{start.UTC(), end.UTC()}, nil
}

// Minutes returns the length in whole minutes of real time.
func (i Interval) Minutes() int { return int(i.End.Sub(i.Start) / time.Minute) }

// Overlaps reports whether the two share any time. Touching is not sharing.
func (i Interval) Overlaps(o Interval) bool { return i.Start.Before(o.End) && o.Start.Before(i.End) }

// Holds reports whether the instant lies inside; the end does not.
func (i Interval) Holds(t time.Time) bool { return !t.Before(i.Start) && t.Before(i.End) }

// Covers reports whether all of o lies inside.
func (i Interval) Covers(o Interval) bool { return !o.Start.Before(i.Start) && !o.End.After(i.End) }

// Common returns what both share, and false when they share nothing.
func (i Interval) Common(o Interval) (Interval, bool) {
	if o.Start.After(i.Start) {
		i.Start = o.Start
	}
	if o.End.Before(i.End) {
		i.End = o.End
	}
	return i, i.Start.Before(i.End)
}

// DateRange is a run of whole days, both ends included.
type DateRange struct {
	First Date `json:"first"`
	Last  Date `json:"last"`
}

// Validate refuses a range without dates or one that ends before it begins.
func (r DateRange) Validate() error {
	if r.First.IsZero() || r.Last.IsZero() {
		return fmt.Errorf("dates %s to %s: want both a first and a last day", r.First, r.Last)
	}
	if r.Last.Before(r.First) {
		return fmt.Errorf("last day %s: want %s or later, the first day", r.Last, r.First)
	}
	return nil
}

// Holds reports whether the day lies in the range.
func (r DateRange) Holds(d Date) bool { return !d.Before(r.First) && !d.After(r.Last) }

// Days returns the number of days, at least 1 for a valid range.
func (r DateRange) Days() int { return r.Last.DaysSince(r.First) + 1 }
