package desk

import (
	"time"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// keepTimes are how long a provisional booking is kept: the practice's minutes,
// or overnight.
type keepTimes struct {
	Keep int32
	// Night says until when a place is kept overnight.
	Night string
	until time.Time
}

// overnight reports whether a place can be kept overnight: nothing is kept
// beyond the beginning of its visit.
func (k keepTimes) overnight(p *vw.Place) bool {
	return k.until.Before(p.GetStart().GetInstantTime().AsTime())
}

func (q *ask) keepTimes() (keepTimes, error) {
	settings, err := q.diary().GetDiarySettings(q, &vw.GetDiarySettingsRequest{Name: q.practice + "/diarySettings"})
	if err != nil {
		return keepTimes{}, err
	}
	until, err := q.overnight()
	return keepTimes{Keep: max(1, settings.GetProvisionalMinutes()), Night: q.words.Date(dateOf(until)) + " " + until.Format("15:04"), until: until}, err
}

// overnight is noon of the next day on which the practice works.
func (q *ask) overnight() (time.Time, error) {
	today := q.words.Today()
	hours, err := q.openHours(&vw.DateRange{FirstDate: today, LastDate: q.words.addDays(today, 7)})
	if err != nil {
		return time.Time{}, err
	}
	day := q.words.addDays(today, 1)
	for i := 1; i < 7; i++ {
		if d := q.words.addDays(today, i); total(hours.open(q.practice, d)) > 0 {
			day = d
			break
		}
	}
	return q.words.day(day), nil
}

// mostKeep is the longest that a place is kept, in minutes.
const mostKeep = 10080

// keepMinutes reads for how long a place is kept; 0 books firmly.
func (q *ask) keepMinutes(f *form) (int32, error) {
	switch text := f.Get("keep"); text {
	case "", "0":
		return 0, nil
	case "night":
		until, err := q.overnight()
		return int32(min(mostKeep, max(1, until.Sub(q.now()).Minutes()))), err
	default:
		n, ok := wholeBetween(text, 0, mostKeep)
		if !ok {
			f.wrong("keep", q.t("booking.keep-wrong"))
		}
		return n, nil
	}
}
