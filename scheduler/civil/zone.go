package civil

import (
	"errors"
	"fmt"
	"time"
)

// Zone is a place's clock, past and future, as one release of the zone
// database knows it. It is safe for concurrent use.
type Zone struct {
	name    string
	loc     *time.Location
	version string
}

// Name returns the IANA name.
func (z *Zone) Name() string { return z.name }

// Version returns the release of the zone database that z was read from.
func (z *Zone) Version() string { return z.version }

// Location returns z for printing with package time. Use Resolve or Strict,
// never time.Date, to turn a local time into an instant.
func (z *Zone) Location() *time.Location { return z.loc }

// ErrGap marks a local time that the clock skips, ErrOverlap one that it shows
// twice.
var (
	ErrGap     = errors.New("the clocks go forward over this time")
	ErrOverlap = errors.New("the clocks go back over this time")
)

// ClockChangeError says why a local time is not one instant.
type ClockChangeError struct {
	Local LocalTime
	Zone  string
	// At is the instant of the change. First and Second are the two instants an
	// ambiguous time may mean; First is where RFC 5545 puts a skipped time.
	At, First, Second time.Time
	Kind              error // ErrGap or ErrOverlap
	zone              *Zone
}

func (e *ClockChangeError) Error() string {
	if errors.Is(e.Kind, ErrGap) {
		return fmt.Sprintf("start %s in %s does not exist, the clocks go forward over it: want a time before or after the change, for example %s",
			e.Local, e.Zone, e.zone.Local(e.First))
	}
	return fmt.Sprintf("start %s in %s happens twice, the clocks go back over it: want a time outside the repeated stretch, for example %s",
		e.Local, e.Zone, e.zone.afterOverlap(e.Local))
}

// Unwrap returns ErrGap or ErrOverlap.
func (e *ClockChangeError) Unwrap() error { return e.Kind }

// searchReach is how far from a local time read as UTC its instant can lie: the
// largest offset is 14 h (15:14 h before 1900), and the International Date Line
// has moved by a whole day.
const searchReach = 40 * time.Hour

// meanings returns the instants at which the wall shows l, earliest first; when
// there is none, the instant RFC 5545 gives it and the change that skipped it.
func (z *Zone) meanings(l LocalTime) (at []int64, skipped, change int64) {
	want := l.seconds()
	t := time.Unix(want, 0).Add(-searchReach).In(z.loc)
	stop := want + int64(searchReach/time.Second)
	before, known := int64(0), false
	for {
		_, off := t.Zone()
		begin, end := stretch(t)
		from, until := int64(-1)<<62, int64(1)<<62
		if !begin.IsZero() {
			from = begin.Unix()
		}
		if !end.IsZero() {
			until = end.Unix()
		}
		if u := want - int64(off); u >= from && u < until {
			at = append(at, u)
		}
		if known && want >= from+before && want < from+int64(off) {
			skipped, change = want-before, from
		}
		before, known = int64(off), true
		if end.IsZero() || until > stop {
			return at, skipped, change
		}
		t = end
	}
}

// Resolve turns a local time into an instant as RFC 5545 section 3.3.5 does: a
// time that happens twice means its first occurrence, a time that the clock
// skips is read with the offset before the change. It is for times taken in
// from elsewhere; what we book ourselves goes through Strict.
func (z *Zone) Resolve(l LocalTime) time.Time {
	at, skipped, _ := z.meanings(l)
	if len(at) > 0 {
		return time.Unix(at[0], 0).UTC()
	}
	return time.Unix(skipped, 0).UTC()
}

// Strict turns a local time into an instant and refuses one that the clock
// skips or shows twice, with a *ClockChangeError.
func (z *Zone) Strict(l LocalTime) (time.Time, error) {
	at, skipped, change := z.meanings(l)
	switch len(at) {
	case 1:
		return time.Unix(at[0], 0).UTC(), nil
	case 0:
		u := time.Unix(skipped, 0).UTC()
		return time.Time{}, &ClockChangeError{Local: l, Zone: z.name, At: time.Unix(change, 0).UTC(), First: u, Second: u, Kind: ErrGap, zone: z}
	}
	first, second := time.Unix(at[0], 0).UTC(), time.Unix(at[1], 0).UTC()
	_, end := stretch(first.In(z.loc))
	return time.Time{}, &ClockChangeError{Local: l, Zone: z.name, At: end.UTC(), First: first, Second: second, Kind: ErrOverlap, zone: z}
}

// afterOverlap is the first local time on the hour grid's five minutes after
// the repeated stretch that l lies in.
func (z *Zone) afterOverlap(l LocalTime) LocalTime {
	for s := l.seconds(); ; s += 300 {
		next := localFromSeconds(s - s%300)
		if at, _, _ := z.meanings(next); len(at) == 1 && next.seconds() > l.seconds() {
			return next
		}
	}
}

// Local returns what the wall shows at the instant, cut to the minute.
func (z *Zone) Local(t time.Time) LocalTime {
	t = t.In(z.loc)
	_, off := t.Zone()
	return localFromSeconds(t.Unix() + int64(off))
}

// Date returns the calendar day at the instant.
func (z *Zone) Date(t time.Time) Date { return z.Local(t).Date }

// Offset returns the seconds that the wall is ahead of UTC at the instant.
func (z *Zone) Offset(t time.Time) int {
	_, off := t.In(z.loc).Zone()
	return off
}

// Day returns the stretch of real time that the calendar day covers: 24 hours,
// or 23 to 25 when the clock changes; nothing for a day that a zone left out.
func (z *Zone) Day(d Date) Interval {
	return Interval{z.Resolve(LocalTime{d, 0}), z.Resolve(LocalTime{d.AddDays(1), 0})}
}

// Changes returns the instants in the interval at which the offset changes.
func (z *Zone) Changes(in Interval) []time.Time {
	var out []time.Time
	t := in.Start.In(z.loc)
	for {
		_, end := stretch(t)
		if end.IsZero() || !end.Before(in.End) {
			return out
		}
		out = append(out, end.UTC())
		t = end
	}
}

// stretch returns the bounds of the time around t with one offset, a zero time
// where there is none. It is t.ZoneBounds, mended: where that evaluates a rule
// (after 2037) it takes every year to have 365 days, and on 31 December of a
// leap year returns an end that lies before t.
func stretch(t time.Time) (begin, end time.Time) {
	begin, end = t.ZoneBounds()
	_, offset := t.Zone()
	for !end.IsZero() {
		if _, next := end.Zone(); end.After(t) && next != offset {
			return begin, end
		}
		// Nothing changes at that end: look on from the day after it.
		probe := end
		if probe.Before(t) {
			probe = t
		}
		probe = probe.Add(24 * time.Hour)
		if _, next := probe.Zone(); next != offset {
			end, _ = probe.ZoneBounds()
			return begin, end
		}
		_, end = probe.ZoneBounds()
	}
	return begin, end
}
