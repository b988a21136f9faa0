package desk

import (
	"fmt"
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/genproto/googleapis/type/dayofweek"
	"google.golang.org/genproto/googleapis/type/timeofday"
	"google.golang.org/protobuf/types/known/timestamppb"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// words writes dates, times, minutes and teeth as the practice does.
type words struct {
	*texts
	zone *time.Location
	now  time.Time
	// weekStart is the day on which a week begins; order is how days are written.
	weekStart time.Weekday
	order     vw.DateOrder
}

func newWords(t *texts, me *vw.Me, now time.Time) (*words, error) {
	zone, err := time.LoadLocation(me.GetZone())
	if err != nil {
		return nil, fmt.Errorf("the zone of the practice: %w", err)
	}
	w := &words{texts: t, zone: zone, now: now.In(zone), weekStart: time.Monday, order: me.GetDateOrder()}
	if d := me.GetWeekStart(); d != dayofweek.DayOfWeek_DAY_OF_WEEK_UNSPECIFIED {
		w.weekStart = time.Weekday(d % 7)
	}
	return w, nil
}

// day is the calendar day, at noon so that no change of the clock moves it.
func (w *words) day(d *date.Date) time.Time {
	return time.Date(int(d.GetYear()), time.Month(d.GetMonth()), int(d.GetDay()), 12, 0, 0, 0, w.zone)
}

// Today is the practice's day.
func (w *words) Today() *date.Date { return dateOf(w.now) }

func dateOf(t time.Time) *date.Date {
	return &date.Date{Year: int32(t.Year()), Month: int32(t.Month()), Day: int32(t.Day())}
}

// DayOf is the practice's day of an instant.
func (w *words) DayOf(t *timestamppb.Timestamp) *date.Date { return dateOf(t.AsTime().In(w.zone)) }

// Date is a day in short: "Tue 24 Nov", with the year when it is another one.
func (w *words) Date(d *date.Date) string {
	if d.GetDay() == 0 {
		return w.T("words.no-date")
	}
	t := w.day(d)
	weekday := w.T("words.weekday-" + t.Weekday().String()[:3])
	if w.order == vw.DateOrder_DATE_ORDER_YEAR_FIRST {
		return w.T("words.date-iso", weekday, w.ISODate(d))
	}
	key := "words.date"
	if t.Year() != w.now.Year() {
		key = "words.date-year"
	}
	if w.order == vw.DateOrder_DATE_ORDER_MONTH_DAY {
		key += "-month-first"
	}
	return w.T(key, weekday, t.Day(), w.T("words.month-"+t.Month().String()[:3]), t.Year())
}

// LongDate is a day in full: "Tuesday 24 November 2026".
func (w *words) LongDate(d *date.Date) string {
	t := w.day(d)
	key := "words.long-date"
	switch w.order {
	case vw.DateOrder_DATE_ORDER_MONTH_DAY:
		key = "words.long-date-month-first"
	case vw.DateOrder_DATE_ORDER_YEAR_FIRST:
		return w.T("words.date-iso", w.T("words.long-"+t.Weekday().String()), w.ISODate(d))
	}
	return w.T(key, w.T("words.long-"+t.Weekday().String()), t.Day(), w.T("words.long-"+t.Month().String()), t.Year())
}

// Week are the days of a week in the practice's order.
func (w *words) Week() []time.Weekday {
	var out []time.Weekday
	for i := range 7 {
		out = append(out, (w.weekStart+time.Weekday(i))%7)
	}
	return out
}

// ISODate is a day as forms and addresses write it: 2026-11-24.
func (w *words) ISODate(d *date.Date) string {
	if d.GetDay() == 0 {
		return ""
	}
	return fmt.Sprintf("%04d-%02d-%02d", d.GetYear(), d.GetMonth(), d.GetDay())
}

// Near says how far a day is: "today", "tomorrow", "in 9 days", "3 days ago".
func (w *words) Near(d *date.Date) string {
	switch days := w.daysBetween(w.Today(), d); {
	case days == 0:
		return w.T("words.today")
	case days == 1:
		return w.T("words.tomorrow")
	case days == -1:
		return w.T("words.yesterday")
	case days > 0:
		return w.T("words.in-days", days)
	default:
		return w.T("words.days-ago", -days)
	}
}

// Clock is a time of day: "09:30".
func (w *words) Clock(t *timeofday.TimeOfDay) string {
	return fmt.Sprintf("%02d:%02d", t.GetHours(), t.GetMinutes())
}

// At is the time of day of an instant in the practice's zone: "09:30".
func (w *words) At(t *timestamppb.Timestamp) string {
	if !t.IsValid() {
		return ""
	}
	return t.AsTime().In(w.zone).Format("15:04")
}

// When is an instant with its day, "Tue 24 Nov 09:30"; today without the day.
func (w *words) When(t *timestamppb.Timestamp) string {
	if !t.IsValid() {
		return ""
	}
	at := t.AsTime().In(w.zone)
	if at.YearDay() == w.now.YearDay() && at.Year() == w.now.Year() {
		return at.Format("15:04")
	}
	return w.Date(dateOf(at)) + " " + at.Format("15:04")
}

// Local is a local date and time: "Tue 24 Nov 09:30".
func (w *words) Local(l *vw.LocalDateTime) string {
	return w.Date(l.GetDate()) + " " + w.Clock(l.GetTime())
}

// Spare says how many minutes are left over, or missing.
func (w *words) Spare(m float64) string {
	if m < 0 {
		return w.T("chair.short", w.Min(-m))
	}
	return w.T("chair.spare", w.Min(m))
}

// Min is a number of minutes, rounded: "95 min".
func (w *words) Min(m any) string {
	var v float64
	switch m := m.(type) {
	case float64:
		v = m
	case int32:
		v = float64(m)
	case int:
		v = float64(m)
	}
	return w.T("words.min", fmt.Sprintf("%.0f", v))
}

// Tooth is the tooth in the practice's notation and in words, always both:
// "46, lower right first molar".
func (w *words) Tooth(t *vw.Tooth) string {
	if t.GetIso() == "" {
		return w.T("words.tooth-unknown")
	}
	shown := t.GetShown()
	if shown == "" {
		shown = t.GetIso()
	}
	return w.T("words.tooth", shown, t.GetWords())
}
