package planner

import (
	"testing"

	"google.golang.org/protobuf/proto"

	"github.com/visitwright/visitwright/planner/tooth"
	"github.com/visitwright/visitwright/proto/requests"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// Whatever bytes a client sends, reading them ends with a value or with an
// error, also when nobody checked their shape before.
func FuzzWhatAClientSends(f *testing.F) {
	seed := func(m proto.Message) {
		wire, err := proto.Marshal(m)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(wire)
	}
	seed(&vw.Findings{Evidence: []*vw.Evidence{{Sign: "film-count", Count: proto.Int32(3)}}, Factors: []string{"swelling"}, ExpectedCanals: proto.Int32(3)})
	seed(&vw.Case{Patient: "practices/p/patients/a", Tooth: &vw.Tooth{Iso: "46"}, Diagnosis: &vw.Diagnosis{Pulpal: "necrosis"}})
	seed(&vw.Patient{Reference: "A", WeightKg: proto.Float64(70), Alerts: []*vw.Alert{{Kind: "latex"}}})
	seed(&vw.PracticeSettings{Zone: "UTC", Grid: &vw.LengthGrid{Least: 30, Most: 60, Step: 15}, Overrides: []*vw.FigureOverride{{Figure: "steps.shape.median", Value: 3}}})
	caller := Caller{requests.Caller{Call: store.Call{Practice: "p", Role: store.RoleClinician}}}
	s := shippedService(f)
	f.Fuzz(func(t *testing.T, wire []byte) {
		if p := (&vw.Patient{}); proto.Unmarshal(wire, p) == nil {
			if kept, err := patientFromProto(p); err == nil {
				patientToProto("p", kept)
			}
		}
		if c := (&vw.Case{}); proto.Unmarshal(wire, c) == nil {
			if kept, err := s.caseFromProto(caller, c); err == nil {
				caseToProto("p", kept, tooth.ISO)
			}
		}
		if v := (&vw.PracticeSettings{}); proto.Unmarshal(wire, v) == nil {
			if s.checkSettings(v) == nil {
				if _, err := settingsDocument(nil, v); err != nil {
					t.Fatalf("settings that were taken cannot be kept: %v", err)
				}
			}
		}
		if finds := (&vw.Findings{}); proto.Unmarshal(wire, finds) == nil {
			rec := record{kept: store.Case{ID: "c", Tooth: 46, Diagnosis: "necrotic-lesion"}, settings: &vw.PracticeSettings{Zone: "UTC"}}
			if err := withDefaults(rec.settings); err != nil {
				t.Fatal(err)
			}
			s.now = fixedNow
			_, _, _ = s.assess(caller, rec, finds)
		}
		if p := (&vw.Plan{}); proto.Unmarshal(wire, p) == nil {
			planFromProto(p)
		}
		if m := (&vw.TreatmentModel{}); proto.Unmarshal(wire, m) == nil {
			modelFromProto(m)
		}
	})
}
