package fortnight

import (
	"encoding/json"
	"fmt"
	"maps"
	"slices"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/testdata/demo"
)

// cast is testdata/demo/cases.json: the patients, and the story of each tooth.
type cast struct {
	// Usual are the answers to the difficulty form of a tooth about which
	// nothing else is said.
	Usual    map[string]string `json:"usual"`
	Patients []patientStory    `json:"patients"`
}

// patientStory is one patient: a message of the contract, and the teeth.
type patientStory struct {
	Patient json.RawMessage `json:"patient"`
	// Writes is the channel on which the patient agreed to be written to; empty
	// leaves it to the telephone.
	Writes string       `json:"writes"`
	Teeth  []toothStory `json:"teeth"`
}

// toothStory is one case: how it is opened, what is found, what happens when.
type toothStory struct {
	Case json.RawMessage `json:"case"`
	// With is the clinician of the case, by the id in practice.json.
	With string `json:"with"`
	// Begun is the moment at which another practice began the treatment.
	Begun    string   `json:"begun"`
	Findings findings `json:"findings"`
	Story    []scene  `json:"story"`
}

// findings are what an assessment finds, beside what is usual.
type findings struct {
	Pulpal  string            `json:"pulpal"`
	Apical  string            `json:"apical"`
	Film    int32             `json:"film"`   // canals on the film
	Volume  int32             `json:"volume"` // canals on a CBCT
	Answers map[string]string `json:"answers"`
	Factors []string          `json:"factors"`
	Bears   int32             `json:"bears"` // minutes that the patient can bear
}

// scene is one thing that people do. Moments are read by calendar.at.
type scene struct {
	At string `json:"at"` // when it is done
	Do string `json:"do"`

	// Of a booking.
	For     string  `json:"for"`     // when the appointment is
	What    string  `json:"what"`    // a protocol that no plan asks for; empty is the next planned visit
	Minutes int32   `json:"minutes"` // of the appointment
	Keep    int32   `json:"keep"`    // minutes that a provisional booking is kept
	Then    []scene `json:"then"`    // what happens at the appointments, in order

	// Of a plan.
	Option  string `json:"option"`
	Consent string `json:"consent"` // written or spoken; empty is not given

	// Of a visit in the chair.
	Until      string      `json:"until"`  // the stop at which it ends; empty is the end of the treatment
	Canals     int         `json:"canals"` // canals worked on in the stage that is broken off
	Pace       float64     `json:"pace"`   // minutes taken for each planned one
	Events     []happening `json:"events"`
	Medicament string      `json:"medicament"`
	Temporary  string      `json:"temporary"`
	Seal       float64     `json:"seal"` // mm
	Forced     string      `json:"forced"`
	Replan     bool        `json:"replan"`

	// Of a review and what follows the filling.
	Index    int32  `json:"index"` // periapical index, now or before treatment
	Symptoms bool   `json:"symptoms"`
	Coverage bool   `json:"coverage"`
	Calendar string `json:"calendar"`
	Injury   string `json:"injury"`

	// Of a call, a closing, a putting off.
	Reason string `json:"reason"`
	Note   string `json:"note"`
}

// happening is a chair event, after a step or a stage of the visit.
type happening struct {
	After   string `json:"after"` // "shape ML", "access"
	Event   string `json:"event"`
	Canal   string `json:"canal"`
	Third   string `json:"third"`
	Partner string `json:"partner"`
	// Decided is what the clinician did about it, written with the working length.
	Decided string `json:"decided"`
}

func readCast() (*cast, error) {
	out := &cast{}
	if err := json.Unmarshal(demo.Cases, out); err != nil {
		return nil, fmt.Errorf("cases: %w", err)
	}
	var first struct{ Patient, Case json.RawMessage }
	if err := json.Unmarshal(demo.Case, &first); err != nil {
		return nil, fmt.Errorf("the case to try: %w", err)
	}
	// The case to try is the one that the command line shows.
	for i := range out.Patients {
		if len(out.Patients[i].Patient) == 0 {
			out.Patients[i].Patient, out.Patients[i].Teeth[0].Case = first.Patient, first.Case
		}
	}
	return out, nil
}

func into(text json.RawMessage, m proto.Message) error {
	if len(text) == 0 {
		return nil
	}
	return protojson.Unmarshal(text, m)
}

// message is what an assessment is told.
func (f findings) message(usual map[string]string) *vw.Findings {
	out := &vw.Findings{Diagnosis: &vw.Diagnosis{Pulpal: f.Pulpal, Apical: f.Apical}, Factors: f.Factors}
	answers := maps.Clone(usual)
	maps.Copy(answers, f.Answers)
	for _, q := range slices.Sorted(maps.Keys(answers)) {
		out.Answers = append(out.Answers, &vw.Answer{Criterion: q, Answer: answers[q]})
	}
	if f.Film > 0 {
		out.Evidence = append(out.Evidence, &vw.Evidence{Sign: "film-count", Count: proto.Int32(f.Film)})
	}
	if f.Volume > 0 {
		out.Evidence = append(out.Evidence, &vw.Evidence{Sign: "cbct-count", Count: proto.Int32(f.Volume)})
	}
	if f.Bears > 0 {
		out.Tolerance = &vw.Tolerance{Minutes: f.Bears, Chance: 0.2}
	}
	return out
}
