package scheduler

import (
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/genproto/googleapis/type/timeofday"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/visitwright/visitwright/proto/fault"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/scheduler/civil"
)

// instant is absent for the zero time.
func instant(t time.Time) *timestamppb.Timestamp {
	if t.IsZero() {
		return nil
	}
	return timestamppb.New(t)
}

func dateToProto(d civil.Date) *date.Date {
	if d.IsZero() {
		return nil
	}
	year, month, day := d.Parts()
	return &date.Date{Year: int32(year), Month: int32(month), Day: int32(day)}
}

// dateFromProto reads a calendar day; an absent one is the zero date.
func dateFromProto(field string, d *date.Date) (civil.Date, error) {
	if d == nil {
		return civil.Date{}, nil
	}
	out, err := civil.NewDate(int(d.GetYear()), time.Month(d.GetMonth()), int(d.GetDay()))
	if err != nil {
		return civil.Date{}, invalidField(field, "a calendar day with year, month and day")
	}
	return out, nil
}

// timeFromProto reads a time of day in whole minutes; 24:00 is the end of the
// day.
func timeFromProto(field string, t *timeofday.TimeOfDay) (civil.TimeOfDay, error) {
	if t.GetSeconds() != 0 || t.GetNanos() != 0 {
		return 0, invalidField(field, "whole minutes")
	}
	out, err := civil.NewTimeOfDay(int(t.GetHours()), int(t.GetMinutes()))
	if err != nil {
		return 0, invalidField(field, "a time of day from 00:00 to 24:00")
	}
	return out, nil
}

func timeToProto(t civil.TimeOfDay) *timeofday.TimeOfDay {
	return &timeofday.TimeOfDay{Hours: int32(t.Minutes() / 60), Minutes: int32(t.Minutes() % 60)}
}

// localFromProto reads the local time of a start and the zone it is meant in.
func (s *Diary) localFromProto(field string, l *vw.LocalDateTime, practice *civil.Zone) (civil.LocalTime, *civil.Zone, error) {
	zone := practice
	if name := l.GetZone(); name != "" && name != practice.Name() {
		var err error
		if zone, err = s.zones.Zone(name); err != nil {
			return civil.LocalTime{}, nil, fault.Invalid(vw.ErrorReason_ERROR_REASON_UNKNOWN_ZONE, field+".zone", `an IANA zone, for example "Europe/Vienna"`).Because(err)
		}
	}
	d, err := dateFromProto(field+".date", l.GetDate())
	if err != nil {
		return civil.LocalTime{}, nil, err
	}
	if d.IsZero() {
		return civil.LocalTime{}, nil, invalidField(field+".date", "a calendar day with year, month and day")
	}
	t, err := timeFromProto(field+".time", l.GetTime())
	if err == nil && t == civil.EndOfDay {
		err = invalidField(field+".time", "a time of day from 00:00 to 23:59")
	}
	return civil.LocalTime{Date: d, Time: t}, zone, err
}

func localToProto(local civil.LocalTime, zone, version string, at time.Time) *vw.LocalDateTime {
	return &vw.LocalDateTime{Date: dateToProto(local.Date), Time: timeToProto(local.Time), Zone: zone, InstantTime: instant(at), ZoneDatabase: version}
}

// rangeFromProto reads a run of days and bounds its length.
func rangeFromProto(field string, r *vw.DateRange, most int) (civil.DateRange, error) {
	first, err := dateFromProto(field+".first_date", r.GetFirstDate())
	if err != nil {
		return civil.DateRange{}, err
	}
	last, err := dateFromProto(field+".last_date", r.GetLastDate())
	if err != nil {
		return civil.DateRange{}, err
	}
	out := civil.DateRange{First: first, Last: last}
	switch {
	case first.IsZero():
		return out, invalidField(field+".first_date", "the first day")
	case last.IsZero():
		return out, invalidField(field+".last_date", "the last day")
	case last.Before(first):
		return out, fault.Invalid(vw.ErrorReason_ERROR_REASON_END_BEFORE_START, field+".last_date", "a day that is not before first_date")
	case out.Days() > most:
		return out, fault.Invalid(vw.ErrorReason_ERROR_REASON_RANGE_TOO_LONG, field+".last_date", "at most "+plural(most, "day")+" in all")
	}
	return out, nil
}
