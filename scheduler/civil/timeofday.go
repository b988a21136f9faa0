package civil

import (
	"fmt"
	"time"
)

// TimeOfDay is a reading of the wall clock in whole minutes after midnight,
// 0 to 1440. 1440 is 24:00, which only an end may be.
type TimeOfDay int16

// EndOfDay is 24:00.
const EndOfDay TimeOfDay = 24 * 60

// NewTimeOfDay returns the reading hour:minute, 00:00 to 24:00.
func NewTimeOfDay(hour, minute int) (TimeOfDay, error) {
	if hour < 0 || minute < 0 || minute > 59 || hour > 24 || hour == 24 && minute != 0 {
		return 0, fmt.Errorf("time %d:%02d: want 00:00 to 24:00", hour, minute)
	}
	return TimeOfDay(hour*60 + minute), nil
}

// ParseTimeOfDay reads HH:MM, 00:00 to 24:00.
func ParseTimeOfDay(s string) (TimeOfDay, error) {
	digit := func(i int) int { return int(s[i]) - '0' }
	if len(s) == 5 && s[2] == ':' {
		ok := true
		for _, i := range []int{0, 1, 3, 4} {
			ok = ok && s[i] >= '0' && s[i] <= '9'
		}
		if ok {
			if t, err := NewTimeOfDay(digit(0)*10+digit(1), digit(3)*10+digit(4)); err == nil {
				return t, nil
			}
		}
	}
	return 0, fmt.Errorf("time of day %q: want HH:MM from 00:00 to 24:00", s)
}

// MustTimeOfDay is ParseTimeOfDay for constants in tests and demo data.
func MustTimeOfDay(s string) TimeOfDay {
	t, err := ParseTimeOfDay(s)
	if err != nil {
		panic(err)
	}
	return t
}

// Minutes returns the minutes after midnight, 0 to 1440.
func (t TimeOfDay) Minutes() int { return int(t) }

// String writes HH:MM.
func (t TimeOfDay) String() string { return fmt.Sprintf("%02d:%02d", int(t)/60, int(t)%60) }

// MarshalText writes HH:MM.
func (t TimeOfDay) MarshalText() ([]byte, error) { return []byte(t.String()), nil }

// UnmarshalText reads HH:MM.
func (t *TimeOfDay) UnmarshalText(b []byte) error {
	got, err := ParseTimeOfDay(string(b))
	if err != nil {
		return err
	}
	*t = got
	return nil
}

// LocalTime is what a clock and a calendar on the practice's wall show. It
// names an instant only together with a Zone.
type LocalTime struct {
	Date Date      `json:"date"`
	Time TimeOfDay `json:"time"`
}

// ParseLocalTime reads 2026-03-29T10:00.
func ParseLocalTime(s string) (LocalTime, error) {
	if len(s) == 16 && s[10] == 'T' {
		d, err1 := ParseDate(s[:10])
		t, err2 := ParseTimeOfDay(s[11:])
		if err1 == nil && err2 == nil {
			return LocalTime{d, t}, nil
		}
	}
	return LocalTime{}, fmt.Errorf("local time %q: want YYYY-MM-DDTHH:MM", s)
}

// MustLocalTime is ParseLocalTime for constants in tests and demo data.
func MustLocalTime(s string) LocalTime {
	l, err := ParseLocalTime(s)
	if err != nil {
		panic(err)
	}
	return l
}

// String writes 2026-03-29T10:00.
func (l LocalTime) String() string { return l.Date.String() + "T" + l.Time.String() }

// seconds counts the wall clock from 1970-01-01T00:00 as if it never changed.
func (l LocalTime) seconds() int64 {
	return (int64(l.Date.n)-unixDay)*86400 + int64(l.Time)*60
}

func localFromSeconds(s int64) LocalTime {
	t := time.Unix(s, 0).UTC()
	d := fromUnixDays(unixDays(t.Year(), t.Month(), t.Day()))
	return LocalTime{d, TimeOfDay(t.Hour()*60 + t.Minute())}
}
