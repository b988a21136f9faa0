// Package names forms and reads the resource names of the contract, and the
// tokens that lead from one page of a list to the next.
package names

import (
	"fmt"
	"strconv"
	"strings"
)

// The patterns of resource names. {} stands for an id: 1 to 63 characters of
// a-z, 0-9 and -, not beginning with -. {#} stands for a number from 1.
const (
	PracticePattern         = "practices/{}"
	SettingsPattern         = "practices/{}/settings"
	DiarySettingsPattern    = "practices/{}/diarySettings"
	ClinicianPattern        = "practices/{}/clinicians/{}"
	PatientPattern          = "practices/{}/patients/{}"
	CasePattern             = "practices/{}/cases/{}"
	AssessmentPattern       = "practices/{}/cases/{}/assessments/{#}"
	PlanPattern             = "practices/{}/cases/{}/plans/{#}"
	VisitPattern            = "practices/{}/cases/{}/visits/{#}"
	ResourcePattern         = "practices/{}/resources/{}"
	AbsencePattern          = "practices/{}/absences/{}"
	AppointmentPattern      = "practices/{}/appointments/{}"
	BookingPattern          = "practices/{}/bookings/{}"
	ShortNoticeEntryPattern = "practices/{}/shortNoticeEntries/{}"
	CalendarFeedPattern     = "practices/{}/calendarFeeds/{}"
)

// MaxID is the longest id in bytes.
const MaxID = 63

// maxNumber keeps numbers to nine digits, as the contract's patterns do.
const maxNumber = 999_999_999

// Error reports a name that does not follow its pattern. It never repeats the
// name, which is whatever the client sent.
type Error struct {
	Pattern string
}

func (e *Error) Error() string {
	return "not a resource name of the form " + strings.NewReplacer("{}", "{id}", "{#}", "{number}").Replace(e.Pattern)
}

// Name is a resource name taken apart.
type Name struct {
	Practice string
	ID       string // of the first resource below the practice; empty for the practice and its settings
	Number   int    // of the assessment, plan or visit; 0 for all others
}

// Parse takes a name apart by its pattern. The error is an *Error.
func Parse(pattern, name string) (Name, error) {
	var out Name
	wants, parts := strings.Split(pattern, "/"), strings.Split(name, "/")
	if len(wants) != len(parts) {
		return Name{}, &Error{pattern}
	}
	ids := 0
	for i, want := range wants {
		switch want {
		case "{}":
			if !ValidID(parts[i]) {
				return Name{}, &Error{pattern}
			}
			if ids == 0 {
				out.Practice = parts[i]
			} else {
				out.ID = parts[i]
			}
			ids++
		case "{#}":
			n, err := strconv.Atoi(parts[i])
			if err != nil || n < 1 || n > maxNumber || strconv.Itoa(n) != parts[i] {
				return Name{}, &Error{pattern}
			}
			out.Number = n
		default:
			if parts[i] != want {
				return Name{}, &Error{pattern}
			}
		}
	}
	return out, nil
}

// Format is the reverse of Parse. It panics when the pattern needs what n does
// not have, which is a fault of the program.
func Format(pattern string, n Name) string {
	ids := []string{n.Practice, n.ID}
	parts := strings.Split(pattern, "/")
	for i, part := range parts {
		switch part {
		case "{}":
			if len(ids) == 0 || !ValidID(ids[0]) {
				panic(fmt.Sprintf("names: no valid id for %s", pattern))
			}
			parts[i], ids = ids[0], ids[1:]
		case "{#}":
			if n.Number < 1 || n.Number > maxNumber {
				panic(fmt.Sprintf("names: no valid number for %s", pattern))
			}
			parts[i] = strconv.Itoa(n.Number)
		}
	}
	return strings.Join(parts, "/")
}

// ValidID reports whether s may be an id in a resource name.
func ValidID(s string) bool {
	if s == "" || len(s) > MaxID || s[0] == '-' {
		return false
	}
	for i := range len(s) {
		c := s[i]
		if !(c >= 'a' && c <= 'z' || c >= '0' && c <= '9' || c == '-') {
			return false
		}
	}
	return true
}

// Practice is the name of a practice.
func Practice(practice string) string { return Format(PracticePattern, Name{Practice: practice}) }

// Settings is the name of a practice's settings.
func Settings(practice string) string { return Format(SettingsPattern, Name{Practice: practice}) }

// DiarySettings is the name of a practice's diary settings.
func DiarySettings(practice string) string {
	return Format(DiarySettingsPattern, Name{Practice: practice})
}

// Clinician is the name of a clinician.
func Clinician(practice, id string) string {
	return Format(ClinicianPattern, Name{Practice: practice, ID: id})
}

// Patient is the name of a patient.
func Patient(practice, id string) string {
	return Format(PatientPattern, Name{Practice: practice, ID: id})
}

// Case is the name of a case.
func Case(practice, id string) string { return Format(CasePattern, Name{Practice: practice, ID: id}) }

// Assessment is the name of one assessment of a case.
func Assessment(practice, caseID string, version int) string {
	return Format(AssessmentPattern, Name{Practice: practice, ID: caseID, Number: version})
}

// Plan is the name of one plan revision of a case.
func Plan(practice, caseID string, revision int) string {
	return Format(PlanPattern, Name{Practice: practice, ID: caseID, Number: revision})
}

// Visit is the name of one visit of a case.
func Visit(practice, caseID string, number int) string {
	return Format(VisitPattern, Name{Practice: practice, ID: caseID, Number: number})
}

// Resource is the name of a room, a nurse or a unit of equipment.
func Resource(practice, id string) string {
	return Format(ResourcePattern, Name{Practice: practice, ID: id})
}

// Absence is the name of an absence or a closure.
func Absence(practice, id string) string {
	return Format(AbsencePattern, Name{Practice: practice, ID: id})
}

// Appointment is the name of an appointment.
func Appointment(practice, id string) string {
	return Format(AppointmentPattern, Name{Practice: practice, ID: id})
}

// Booking is the name of what was booked together.
func Booking(practice, id string) string {
	return Format(BookingPattern, Name{Practice: practice, ID: id})
}

// ShortNoticeEntry is the name of an entry of the short-notice list.
func ShortNoticeEntry(practice, id string) string {
	return Format(ShortNoticeEntryPattern, Name{Practice: practice, ID: id})
}

// CalendarFeed is the name of a calendar feed.
func CalendarFeed(practice, id string) string {
	return Format(CalendarFeedPattern, Name{Practice: practice, ID: id})
}
