package fault_test

import (
	"errors"
	"strings"
	"testing"

	"buf.build/go/protovalidate"
	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/protobuf/encoding/prototext"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/reflect/protoregistry"
	"google.golang.org/protobuf/types/dynamicpb"

	"google.golang.org/grpc/status"

	"github.com/visitwright/visitwright/proto/fault"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

func invalid(t *testing.T, m proto.Message) (map[string]string, error) {
	t.Helper()
	err := fault.FromValidation(protovalidate.Validate(m))
	if err == nil {
		t.Fatalf("%v was taken", m)
	}
	fields := map[string]string{}
	for _, v := range details[*errdetails.BadRequest](t, err).GetFieldViolations() {
		fields[v.GetField()] = v.GetDescription()
	}
	return fields, err
}

func TestEachBadFieldIsNamedWithItsRule(t *testing.T) {
	fields, _ := invalid(t, &vw.CreatePatientRequest{
		Parent: "practices/p", RequestId: "once",
		Patient: &vw.Patient{Reference: "A 1", WeightKg: proto.Float64(700), Alerts: []*vw.Alert{{Kind: "Latex"}}},
	})
	for path, want := range map[string]string{
		"request_id":             "a UUID",
		"patient.reference":      "letters, digits",
		"patient.weight_kg":      "2 to 350",
		"patient.alerts[0].kind": "an id of a-z, 0-9 and -",
	} {
		if !strings.Contains(fields[path], want) {
			t.Errorf("%s: said %q, want %q in it", path, fields[path], want)
		}
	}
}

func TestABadNameAndAnUnknownEnumValueHaveReasonsOfTheirOwn(t *testing.T) {
	for reason, m := range map[string]proto.Message{
		"INVALID_NAME":       &vw.GetCaseRequest{Name: "practices/p/patients/x"},
		"UNKNOWN_ENUM_VALUE": &vw.GetPlanRequest{Name: "practices/p/cases/c/plans/1", View: 77},
		"INVALID_FIELD":      &vw.ListCasesRequest{Parent: "practices/p", PageSize: -1},
	} {
		_, err := invalid(t, m)
		if got := details[*errdetails.ErrorInfo](t, err).GetReason(); got != reason {
			t.Errorf("%T: got %s, want %s", m, got, reason)
		}
	}
	fields, _ := invalid(t, &vw.GetPlanRequest{Name: "practices/p/cases/c"})
	if want := "practices/{id}/cases/{id}/plans/{number}"; !strings.Contains(fields["name"], want) {
		t.Errorf("said %q, want %q in it", fields["name"], want)
	}
}

func TestAFaultOfTheRulesThemselvesIsNotTheClients(t *testing.T) {
	broken := errors.New("a rule does not compile")
	if got := fault.FromValidation(broken); got != broken { //nolint:errorlint // the very same error must come back
		t.Errorf("it became %v", got)
	}
}

// A planted text in every text field of every request, one at a time, never
// comes back in what the client is told.
func TestNoValueComesBackInAnError(t *testing.T) {
	const planted = "Jane_Doe +43 660 1234567"
	refused := 0
	var plant func(m protoreflect.Message, depth int, check func())
	plant = func(m protoreflect.Message, depth int, check func()) {
		fields := m.Descriptor().Fields()
		for i := range fields.Len() {
			f := fields.Get(i)
			switch {
			case f.IsMap():
			case f.Kind() == protoreflect.StringKind && !f.IsList():
				m.Set(f, protoreflect.ValueOfString(strings.Repeat(planted, 800)))
				check()
				m.Set(f, protoreflect.ValueOfString(planted))
				check()
				m.Clear(f)
			case f.Kind() == protoreflect.StringKind:
				m.Mutable(f).List().Append(protoreflect.ValueOfString(planted))
				check()
				m.Clear(f)
			case f.Message() != nil && depth < 5:
				if f.IsList() {
					plant(m.Mutable(f).List().AppendMutable().Message(), depth+1, check)
				} else {
					plant(m.Mutable(f).Message(), depth+1, check)
				}
				m.Clear(f)
			}
		}
	}
	protoregistry.GlobalFiles.RangeFilesByPackage("visitwright.v1", func(file protoreflect.FileDescriptor) bool {
		for i := range file.Services().Len() {
			methods := file.Services().Get(i).Methods()
			for j := range methods.Len() {
				m := dynamicpb.NewMessage(methods.Get(j).Input())
				plant(m, 0, func() {
					err := fault.FromValidation(protovalidate.Validate(m))
					if err == nil {
						return
					}
					refused++
					s := status.Convert(err)
					text := prototext.Format(s.Proto()) + err.Error()
					for _, d := range s.Details() {
						text += prototext.Format(d.(proto.Message))
					}
					if strings.Contains(text, "Jane") || strings.Contains(text, "660") {
						t.Errorf("%s repeats what it was sent: %s", methods.Get(j).Name(), text[:200])
					}
				})
			}
		}
		return true
	})
	if refused < 500 {
		t.Fatalf("only %d refusals were seen", refused)
	}
}
