package planner

import (
	"time"

	"google.golang.org/genproto/googleapis/type/date"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/visitwright/visitwright/proto/fault"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/scheduler/civil"
)

// dayFromProto reads a calendar day; "" for none. Days without a month or a
// year, which the type allows, are refused.
func dayFromProto(path string, d *date.Date) (string, error) {
	if d == nil {
		return "", nil
	}
	day, err := civil.NewDate(int(d.GetYear()), time.Month(d.GetMonth()), int(d.GetDay()))
	if err != nil {
		return "", fault.Invalid(vw.ErrorReason_ERROR_REASON_INVALID_FIELD, path, "a day of the calendar with year, month and day").Because(err)
	}
	return day.String(), nil
}

// dayToProto is the reverse; what is no day becomes none.
func dayToProto(s string) *date.Date {
	day, err := civil.ParseDate(s)
	if err != nil {
		return nil
	}
	year, month, dayOfMonth := day.Parts()
	return &date.Date{Year: int32(year), Month: int32(month), Day: int32(dayOfMonth)}
}

// today is the calendar day in a zone.
func today(now time.Time, zone string) (civil.Date, error) {
	z, err := civil.Embedded().Zone(zone)
	if err != nil {
		return civil.Date{}, err
	}
	return z.Date(now), nil
}

// instant is a moment, nil for none.
func instant(t time.Time) *timestamppb.Timestamp {
	if t.IsZero() {
		return nil
	}
	return timestamppb.New(t)
}
