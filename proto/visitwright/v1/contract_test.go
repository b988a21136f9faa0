package visitwrightv1_test

import (
	"errors"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"buf.build/gen/go/bufbuild/protovalidate/protocolbuffers/go/buf/validate"
	"buf.build/go/protovalidate"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/dynamicpb"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

func ourFiles() []protoreflect.FileDescriptor {
	var out []protoreflect.FileDescriptor
	protoregistry.GlobalFiles.RangeFilesByPackage("visitwright.v1", func(f protoreflect.FileDescriptor) bool {
		out = append(out, f)
		return true
	})
	return out
}

func methods(t *testing.T) []protoreflect.MethodDescriptor {
	t.Helper()
	var out []protoreflect.MethodDescriptor
	for _, f := range ourFiles() {
		for i := range f.Services().Len() {
			for j := range f.Services().Get(i).Methods().Len() {
				out = append(out, f.Services().Get(i).Methods().Get(j))
			}
		}
	}
	if len(out) < 50 {
		t.Fatalf("only %d methods were found: the test looks in the wrong place", len(out))
	}
	return out
}

// These write and cannot be repeated by an id: the kept answer of SignIn would
// keep a session's token, and a session that has ended cannot ask again.
var unrepeatable = map[protoreflect.Name]bool{"SignIn": true, "SignOut": true}

// A method that begins with one of these changes nothing.
var reads = regexp.MustCompile(`^(Get|Read|List|Find|Check|Compare|Match|Watch|Export|Verify)[A-Z]`)

func TestEveryListHasPages(t *testing.T) {
	for _, m := range methods(t) {
		if !strings.HasPrefix(string(m.Name()), "List") {
			continue
		}
		in, out := m.Input().Fields(), m.Output().Fields()
		if f := in.ByName("page_size"); f == nil || f.Kind() != protoreflect.Int32Kind {
			t.Errorf("%s takes no page_size", m.Name())
		}
		if f := in.ByName("page_token"); f == nil || f.Kind() != protoreflect.StringKind {
			t.Errorf("%s takes no page_token", m.Name())
		}
		if f := out.ByName("next_page_token"); f == nil || f.Kind() != protoreflect.StringKind {
			t.Errorf("%s gives no next_page_token", m.Name())
		}
		if out.Len() == 0 || !out.Get(0).IsList() {
			t.Errorf("%s: the first field of the answer is not the list", m.Name())
		}
	}
}

func TestEveryWriteCanBeRepeatedPreviewedAndLaidAtSomebodysDoor(t *testing.T) {
	for _, m := range methods(t) {
		fields := m.Input().Fields()
		if unrepeatable[m.Name()] {
			continue
		}
		if reads.MatchString(string(m.Name())) {
			if fields.ByName("request_id") != nil {
				t.Errorf("%s changes nothing by its name, and takes a request_id", m.Name())
			}
			continue
		}
		for _, want := range []protoreflect.Name{"request_id", "on_behalf_of"} {
			if f := fields.ByName(want); f == nil || f.Kind() != protoreflect.StringKind {
				t.Errorf("%s takes no %s", m.Name(), want)
			}
		}
		if f := fields.ByName("validate_only"); !m.IsStreamingClient() && (f == nil || f.Kind() != protoreflect.BoolKind) {
			t.Errorf("%s takes no validate_only", m.Name())
		}
		if strings.HasPrefix(string(m.Name()), "Update") && fields.ByName("update_mask") == nil {
			t.Errorf("%s takes no update_mask", m.Name())
		}
	}
}

func TestEveryEnumBeginsWithUnspecified(t *testing.T) {
	seen := 0
	var look func(enums protoreflect.EnumDescriptors, messages protoreflect.MessageDescriptors)
	look = func(enums protoreflect.EnumDescriptors, messages protoreflect.MessageDescriptors) {
		for i := range enums.Len() {
			seen++
			first := enums.Get(i).Values().Get(0)
			if first.Number() != 0 || !strings.HasSuffix(string(first.Name()), "_UNSPECIFIED") {
				t.Errorf("%s begins with %s = %d", enums.Get(i).FullName(), first.Name(), first.Number())
			}
		}
		for i := range messages.Len() {
			look(messages.Get(i).Enums(), messages.Get(i).Messages())
		}
	}
	for _, f := range ourFiles() {
		look(f.Enums(), f.Messages())
	}
	if seen < 10 {
		t.Fatalf("only %d enums were found", seen)
	}
}

// comments returns the comment above each rpc, as one line.
func comments(t *testing.T) map[string]string {
	t.Helper()
	out := map[string]string{}
	rpc := regexp.MustCompile(`(?m)((?:^  //.*\n)+)  rpc (\w+)\(`)
	files, err := filepath.Glob("*_service.proto")
	if err != nil || len(files) < 2 {
		t.Fatalf("the contract has %d services: %v", len(files), err)
	}
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		for _, found := range rpc.FindAllStringSubmatch(string(text), -1) {
			out[found[2]] = strings.Join(strings.Fields(strings.ReplaceAll(found[1], "//", " ")), " ")
		}
	}
	return out
}

func TestEveryMethodSaysWhoMayCallItAndWhatItAnswersWhenItFails(t *testing.T) {
	said := comments(t)
	known := map[string]bool{}
	for c := codes.OK; c <= codes.Unauthenticated; c++ {
		name := regexp.MustCompile(`([a-z])([A-Z])`).ReplaceAllString(c.String(), "${1}_$2")
		known[strings.ToUpper(name)] = true
	}
	upper := regexp.MustCompile(`\b[A-Z][A-Z_]{3,}\b`)
	for _, m := range methods(t) {
		text, ok := said[string(m.Name())]
		if !ok || !strings.Contains(text, "Codes") || !strings.Contains(text, "Roles: ") {
			t.Errorf("%s does not say its roles and codes: %q", m.Name(), text)
			continue
		}
		_, codesText, _ := strings.Cut(text, "Codes")
		for _, word := range upper.FindAllString(codesText, -1) {
			if _, reason := vw.ErrorReason_value["ERROR_REASON_"+word]; !known[word] && !reason {
				t.Errorf("%s speaks of %s, which is neither a code nor a reason of the catalogue", m.Name(), word)
			}
		}
	}
}

// Without a bound a field could hold anything up to the size of the message.
func TestEveryTextAndListThatAClientSendsIsBounded(t *testing.T) {
	seen := map[protoreflect.FullName]bool{}
	var look func(m protoreflect.MessageDescriptor)
	look = func(m protoreflect.MessageDescriptor) {
		if seen[m.FullName()] || m.ParentFile().Package() != "visitwright.v1" {
			return
		}
		seen[m.FullName()] = true
		for i := range m.Fields().Len() {
			f := m.Fields().Get(i)
			rule, _ := proto.GetExtension(f.Options(), validate.E_Field).(*validate.FieldRules)
			text := rule.GetString()
			if f.IsList() {
				if rule.GetRepeated().GetMaxItems() == 0 && !outputOnly[f.FullName()] {
					t.Errorf("%s may hold any number of entries", f.FullName())
				}
				text = rule.GetRepeated().GetItems().GetString()
			}
			if f.Kind() == protoreflect.StringKind && !outputOnly[f.FullName()] &&
				text.GetMaxLen() == 0 && text.GetPattern() == "" && !text.GetUuid() {
				t.Errorf("%s may hold a text of any length", f.FullName())
			}
			if f.Message() != nil && !outputOnly[f.FullName()] {
				look(f.Message())
			}
		}
	}
	for _, m := range methods(t) {
		look(m.Input())
	}
}

// Fields of messages that travel both ways and that the server ignores when a
// client sends them.
var outputOnly = map[protoreflect.FullName]bool{
	"visitwright.v1.Tooth.words":                 true,
	"visitwright.v1.Tooth.shown":                 true,
	"visitwright.v1.LocalDateTime.zone_database": true,
}

func TestEveryRuleOfTheContractCompiles(t *testing.T) {
	validator, err := protovalidate.New()
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range methods(t) {
		for _, d := range []protoreflect.MessageDescriptor{m.Input(), m.Output()} {
			var broken *protovalidate.ValidationError
			err := validator.Validate(dynamicpb.NewMessage(d))
			if err != nil && !errors.As(err, &broken) {
				t.Errorf("%s: %v", d.FullName(), err)
			}
		}
	}
}

// What could say who a patient is must be marked, since redaction, the audit
// trail and the log go by the mark.
func TestWhatCouldSayWhoThePatientIsIsMarked(t *testing.T) {
	want := map[protoreflect.FullName]bool{}
	for _, name := range []string{
		"Patient.label", "Patient.phone", "Patient.address", "Patient.guardian", "Patient.weight_kg", "Patient.birth_year",
		"Guardian.label", "Guardian.phone", "Guardian.address", "Guardian.relation", "Alert.note",
		"Referral.from", "Referral.question", "Consent.note", "TreatmentBegun.note",
		"PatientFilter.label", "PatientFilter.phone", "StopCaseRequest.note", "IdentityCheck.label", "StopTreatmentRequest.note",
		"Letter.address", "Report.question", "AcceptedOption.override_reason", "AcceptOptionRequest.override_reason",
		"CreatePersonRequest.passphrase", "SetPassphraseRequest.old_passphrase", "SetPassphraseRequest.new_passphrase",
		"SignInRequest.sign_in_name", "SignInRequest.passphrase", "SignInResponse.session_token",
		"CalendarFeed.secret_path", "ReadCalendarFeedRequest.secret", "CallOccasion.words",
	} {
		want[protoreflect.FullName("visitwright.v1."+name)] = true
	}
	looksPersonal := regexp.MustCompile(`(^|_)(label|phone|address|birth|weight|guardian|note|passphrase|token|secret)($|_)`)
	harmless := map[protoreflect.FullName]bool{
		"visitwright.v1.Absence.note":          true, // about the practice's own people, shown to all of them
		"visitwright.v1.Person.passphrase_set": true, // only whether there is one
		"visitwright.v1.CalendarFeed.label":    true, // the device that subscribes, for the practice's own people
		"visitwright.v1.Offer.token":           true, // a place that was offered; opens nothing
	}
	placeToken := regexp.MustCompile(`^(next_page|page|resume|offer)_token$`) // marks a place in a list, opens nothing
	for _, file := range ourFiles() {
		for i := range file.Messages().Len() {
			fields := file.Messages().Get(i).Fields()
			for j := range fields.Len() {
				f := fields.Get(j)
				marked, _ := proto.GetExtension(f.Options(), vw.E_Personal).(bool)
				if want[f.FullName()] != marked {
					t.Errorf("%s: marked as personal is %v, want %v", f.FullName(), marked, want[f.FullName()])
				}
				if looksPersonal.MatchString(string(f.Name())) && !marked && !harmless[f.FullName()] && !placeToken.MatchString(string(f.Name())) {
					t.Errorf("%s looks personal and is not marked", f.FullName())
				}
				delete(want, f.FullName())
			}
		}
	}
	for name := range want {
		t.Errorf("%s does not exist", name)
	}
}
