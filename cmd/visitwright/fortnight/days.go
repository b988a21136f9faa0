package fortnight

import (
	"fmt"
	"regexp"
	"strconv"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
)

// Hour and minute at which the demo begins: the middle of a morning, with a
// patient in the chair and some of the day behind.
const (
	startHour   = 10
	startMinute = 40
)

// calendar counts working days around the day of the demo.
type calendar struct {
	zone     *time.Location
	today    time.Time // 00:00 of the demo's day
	holidays map[string]bool
}

// Start is when the demo's clock begins, for a moment of the real world: 10:40
// on the Tuesday of that week, so that the practice is at work whatever the
// hour. A week whose Monday, Tuesday or Wednesday is a public holiday gives way
// to the one before.
func Start(real time.Time, zone *time.Location) (time.Time, error) {
	local := real.In(zone)
	monday := local.AddDate(0, 0, -(int(local.Weekday())+6)%7)
	holiday, err := publicHolidays(local.Year()-1, local.Year())
	if err != nil {
		return time.Time{}, err
	}
	for ; ; monday = monday.AddDate(0, 0, -7) {
		free := false
		for i := range 3 {
			free = free || holiday[monday.AddDate(0, 0, i).Format(time.DateOnly)]
		}
		if !free {
			y, m, d := monday.AddDate(0, 0, 1).Date()
			return time.Date(y, m, d, startHour, startMinute, 0, 0, zone), nil
		}
	}
}

func newCalendar(now time.Time, zone *time.Location) (*calendar, error) {
	y, m, d := now.In(zone).Date()
	holidays, err := publicHolidays(y-yearsBack, y+1)
	return &calendar{zone: zone, today: time.Date(y, m, d, 0, 0, 0, 0, zone), holidays: holidays}, err
}

// yearsBack is how far back the oldest story begins, in calendar years.
const yearsBack = 6

func (c *calendar) works(day time.Time) bool {
	return day.Weekday() != time.Saturday && day.Weekday() != time.Sunday && !c.holidays[day.Format(time.DateOnly)]
}

// step is the working day n after day, or before it when n is below 0; 0 is the
// day itself, or the next working day when it is none.
func (c *calendar) step(day time.Time, n int) time.Time {
	for !c.works(day) {
		day = day.AddDate(0, 0, 1)
	}
	by := 1
	if n < 0 {
		n, by = -n, -1
	}
	for n > 0 {
		if day = day.AddDate(0, 0, by); c.works(day) {
			n--
		}
	}
	return day
}

// A moment of the story: months back, then working days (or, with c, calendar
// days), then the local time: "-6m+2 09:00", "-1 08:10", "-27c 09:00".
var moment = regexp.MustCompile(`^(?:([+-]\d+)m)?(?:([+-]?\d+)(c?))?(?: (\d\d):(\d\d))?$`)

// at reads a moment of the story.
func (c *calendar) at(text string) (time.Time, error) {
	m := moment.FindStringSubmatch(text)
	if m == nil || text == "" {
		return time.Time{}, fmt.Errorf("moment %q: want for example \"-6m+2 09:00\", \"-1 08:10\" or \"-27c\"", text)
	}
	number := func(s string) int { n, _ := strconv.Atoi(s); return n } // digits, by the pattern
	day := c.today.AddDate(0, number(m[1]), 0)
	if m[3] == "c" {
		day = day.AddDate(0, 0, number(m[2]))
	} else {
		day = c.step(day, number(m[2]))
	}
	y, mo, d := day.Date()
	return time.Date(y, mo, d, number(m[4]), number(m[5]), 0, 0, c.zone), nil
}

func toDate(t time.Time) *date.Date {
	y, m, d := t.Date()
	return &date.Date{Year: int32(y), Month: int32(m), Day: int32(d)}
}
