package names_test

import (
	"regexp"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"pgregory.net/rapid"

	"buf.build/gen/go/bufbuild/protovalidate/protocolbuffers/go/buf/validate"

	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

var patterns = []string{
	names.PracticePattern, names.SettingsPattern, names.DiarySettingsPattern, names.ClinicianPattern,
	names.PatientPattern, names.CasePattern, names.AssessmentPattern, names.PlanPattern, names.ResourcePattern,
	names.AbsencePattern, names.AppointmentPattern, names.BookingPattern, names.ShortNoticeEntryPattern, names.CalendarFeedPattern,
}

func TestANameReadsBackAsItWasFormed(t *testing.T) {
	id := rapid.StringMatching(`[a-z0-9][a-z0-9-]{0,62}`)
	rapid.Check(t, func(t *rapid.T) {
		pattern := rapid.SampledFrom(patterns).Draw(t, "pattern")
		want := names.Name{Practice: id.Draw(t, "practice")}
		if strings.Count(pattern, "{}") == 2 {
			want.ID = id.Draw(t, "id")
		}
		if strings.Contains(pattern, "{#}") {
			want.Number = rapid.IntRange(1, 999_999_999).Draw(t, "number")
		}
		name := names.Format(pattern, want)
		got, err := names.Parse(pattern, name)
		if err != nil || got != want {
			t.Fatalf("%s: got %+v, %v, want %+v", name, got, err, want)
		}
		for _, other := range patterns {
			if _, err := names.Parse(other, name); other != pattern && err == nil {
				t.Fatalf("%s reads as %s too", name, other)
			}
		}
	})
}

func TestANameThatIsNoneIsRefusedWithoutRepeatingIt(t *testing.T) {
	for _, name := range []string{
		"", "practices", "practices/", "practices/a/cases", "practices/a/cases/", "practices/A/cases/b",
		"practices/a/cases/Jane Doe", "practices/a/cases/b/", "/practices/a/cases/b", "practices/-a/cases/b",
		"practices/a/patients/b", "practices/a/cases/" + strings.Repeat("x", 64), "practices/a/cases/../b",
	} {
		_, err := names.Parse(names.CasePattern, name)
		if err == nil {
			t.Errorf("%q was taken for a case", name)
			continue
		}
		if strings.Contains(err.Error(), "Jane") {
			t.Errorf("the error repeats what the client sent: %v", err)
		}
		if !strings.Contains(err.Error(), "practices/{id}/cases/{id}") {
			t.Errorf("the error does not say what would be right: %v", err)
		}
	}
	for _, name := range []string{"practices/a/cases/b/plans/0", "practices/a/cases/b/plans/01", "practices/a/cases/b/plans/+1", "practices/a/cases/b/plans/1000000000"} {
		if _, err := names.Parse(names.PlanPattern, name); err == nil {
			t.Errorf("%q was taken for a plan", name)
		}
	}
}

// The contract's own patterns and this package must agree, or a name that the
// service gave would be refused when it comes back.
func TestTheContractAcceptsTheNamesThatAreFormed(t *testing.T) {
	formed := []string{
		names.Practice("p"), names.Settings("p"), names.DiarySettings("p"), names.Clinician("p", "c"), names.Patient("p", "a"),
		names.Case("p", "c"), names.Assessment("p", "c", 1), names.Plan("p", "c", 12), names.Resource("p", "r"),
		names.Absence("p", "a"), names.Appointment("p", "a"), names.Booking("p", "b"), names.ShortNoticeEntry("p", "e"), names.CalendarFeed("p", "f"),
	}
	matched := map[string]bool{}
	rules := 0
	for _, file := range []protoreflect.FileDescriptor{
		vw.File_visitwright_v1_case_requests_proto, vw.File_visitwright_v1_practice_requests_proto, vw.File_visitwright_v1_plan_requests_proto,
		vw.File_visitwright_v1_diary_setup_requests_proto, vw.File_visitwright_v1_diary_booking_requests_proto, vw.File_visitwright_v1_diary_exchange_requests_proto, vw.File_visitwright_v1_calendar_feed_proto,
	} {
		for i := range file.Messages().Len() {
			fields := file.Messages().Get(i).Fields()
			for j := range fields.Len() {
				rule, _ := proto.GetExtension(fields.Get(j).Options(), validate.E_Field).(*validate.FieldRules)
				pattern := rule.GetString().GetPattern()
				if !strings.HasPrefix(pattern, "^practices/") {
					continue
				}
				rules++
				for _, name := range formed {
					if regexp.MustCompile(pattern).MatchString(name) {
						matched[name] = true
					}
				}
			}
		}
	}
	if rules < 30 {
		t.Fatalf("only %d patterns were found: the test looks in the wrong place", rules)
	}
	for _, name := range formed {
		if !matched[name] {
			t.Errorf("no field of the contract takes %s", name)
		}
	}
}

func FuzzParse(f *testing.F) {
	f.Add(0, "practices/a")
	f.Add(7, "practices/a/cases/b/plans/3")
	f.Fuzz(func(t *testing.T, i int, name string) {
		pattern := patterns[(i%len(patterns)+len(patterns))%len(patterns)]
		n, err := names.Parse(pattern, name)
		if err == nil && names.Format(pattern, n) != name {
			t.Fatalf("%q reads as %+v and comes back different", name, n)
		}
	})
}
