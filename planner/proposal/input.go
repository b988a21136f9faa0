package proposal

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"github.com/visitwright/visitwright/planner/anatomy"
	"github.com/visitwright/visitwright/planner/difficulty"
	"github.com/visitwright/visitwright/planner/protocol"
	"github.com/visitwright/visitwright/planner/tooth"
	"github.com/visitwright/visitwright/planner/visits"
	"github.com/visitwright/visitwright/planner/window"
)

// Input is everything a plan rests on. Nothing in it says who the patient is.
type Input struct {
	Tooth    tooth.Code   `json:"tooth"`              // 0: not yet identified
	Notation tooth.System `json:"notation,omitempty"` // how the practice shows teeth; 0: ISO 3950
	// Protocol is a catalogue id; "" takes the one that usually goes with the
	// diagnosis.
	Protocol string `json:"protocol,omitempty"`
	// Diagnosis is a catalogue id; "" before there is one, which leaves a
	// consultation or emergency relief.
	Diagnosis string `json:"diagnosis"`

	Answers  difficulty.Answers `json:"answers,omitempty"`
	Shape    anatomy.Shape      `json:"shape,omitempty"`
	Evidence []anatomy.Evidence `json:"evidence,omitempty"`
	// ExpectedCanals are located at access if they exist; 0 lets the anatomy say.
	ExpectedCanals int `json:"expected_canals,omitempty"`
	// Conditions are facts that the protocol asks for: caries, crowned, post,
	// splint, narrow-mesial-canals, length-image.
	Conditions []string `json:"conditions,omitempty"`
	Findings   Findings `json:"findings"`
	Patient    Patient  `json:"patient"`
	Clinic     Clinic   `json:"clinic"`
	Begun      *Begun   `json:"begun,omitempty"`
	// From is the tooth in the middle of its treatment here; nil before the
	// first visit. The plan is then for what is left.
	From *From `json:"from,omitempty"`
	// Overdue: the latest day of this practice's own dressing has passed.
	Overdue *Overdue `json:"overdue,omitempty"`
	// Pace is what logged visits say about minutes.
	Pace protocol.Pace `json:"pace,omitzero"`
	// MostVisits an option may spread over, 1 to 4; 0 lets the planner choose.
	MostVisits int `json:"most_visits,omitempty"`
	// SharesVisit: another tooth of this patient opens each visit.
	SharesVisit bool `json:"shares_visit,omitempty"`
}

// Findings are signs of the day that rules ask for. False also means "not
// known": the ready-to-fill check in the chair asks again.
type Findings struct {
	Exudate        bool `json:"exudate,omitempty"`          // the canal will not dry
	Swelling       bool `json:"swelling,omitempty"`         // on the day
	Pain           bool `json:"pain,omitempty"`             // on the day
	NotRestorable  bool `json:"not_restorable,omitempty"`   // judged so by a clinician
	OpenApex       bool `json:"open_apex,omitempty"`        // immature root
	LongJourney    bool `json:"long_journey,omitempty"`     // comes from far, or cannot come back easily
	RestoreSameDay bool `json:"restore_same_day,omitempty"` // restoration wanted on the same day
}

// Patient holds what acts on the plan.
type Patient struct {
	WeightKg  float64  `json:"weight_kg,omitempty"`  // 0: not known, then no anaesthetic limit is given
	OpeningMM float64  `json:"opening_mm,omitempty"` // 0: not measured
	Alerts    []string `json:"alerts,omitempty"`     // catalogue ids
	// Bear is what this patient can bear in the chair; Minutes 0: no limit.
	Bear visits.Bear `json:"bear"`
	// Spacing are limits between visits that a clinician has set for this patient.
	Spacing []window.Spacing `json:"spacing,omitempty"`
	// CourseEndsIn: days until an antibiotic course already taken ends; nil: none.
	CourseEndsIn *int `json:"course_ends_in,omitempty"`
}

// Clinic holds the practice's and the clinician's settings.
type Clinic struct {
	Cost visits.Cost `json:"cost"`
	Grid visits.Grid `json:"grid"`
	// Horizon is the number of visits followed, 2 to 8; Cap the minutes of the
	// last cell, 60 to 960.
	Horizon    int                `json:"horizon"`
	Cap        int                `json:"cap"`
	Edition    difficulty.Edition `json:"edition"`
	Overrides  protocol.Overrides `json:"overrides"`
	Microscope bool               `json:"microscope"`
	// CanalShares replaces the shipped planning row of this kind of tooth by the
	// practice's own; nil for none.
	CanalShares *anatomy.Row `json:"canal_shares,omitempty"`
	// CoreSameVisit: the core is part of the treatment here.
	CoreSameVisit bool   `json:"core_same_visit,omitempty"`
	Dressing      string `json:"dressing,omitempty"`  // catalogue id; "": the protocol's
	Temporary     string `json:"temporary,omitempty"` // catalogue id; "": double seal
	// Referral says from which level this clinician wants to see "consider
	// referral"; "" never.
	Referral difficulty.ReferralSetting `json:"referral,omitempty"`
	// PartlyStops: this clinician accepts stopping between canals of an infected
	// tooth.
	PartlyStops       bool   `json:"partly_stops,omitempty"`
	UrgentInstruction string `json:"urgent_instruction,omitempty"` // shown first when a red flag is raised
	// Calibration names what the figures were calibrated to; "" for none.
	Calibration string         `json:"calibration,omitempty"`
	Anaesthetic AnaestheticUse `json:"anaesthetic"`
}

// Begun is treatment begun elsewhere.
type Begun struct {
	DaysAgo   int    `json:"days_ago"`  // -1: not known
	Dressing  string `json:"dressing"`  // catalogue id; "" or "unknown"
	Temporary string `json:"temporary"` // catalogue id; "" or "unknown"
	// Stop is the state it was left in (catalogue id), or "unknown", which is
	// read as partly treated.
	Stop string `json:"stop"`
}

// undetermined is the diagnosis of a tooth that nobody has examined yet.
const undetermined = "undetermined"

// Defaults that a practice which has set nothing starts from.
const (
	DefaultHorizon   = 4
	DefaultCap       = 480 // minutes
	DefaultTemporary = "double-seal"
	mostOffered      = 4 // visits an option may spread over
)

// check refuses what cannot be planned and fills in defaults.
func (in *Input) check(c *protocol.Catalogue) error {
	if in.Diagnosis == "" {
		in.Diagnosis = undetermined
	}
	d, err := c.Diagnosis(in.Diagnosis)
	if err != nil {
		return err
	}
	if in.Protocol == "" {
		in.Protocol = c.Suggest(d)
	}
	p, err := c.Protocol(in.Protocol)
	if err != nil {
		return err
	}
	if !in.Tooth.Valid() && (in.Tooth != 0 || !p.AnyTooth) {
		return &protocol.InputError{Field: "tooth", Problem: "no permanent tooth is named", Want: "an ISO 3950 code from 11 to 48; a tooth not yet identified gets a consultation first"}
	}
	if in.Tooth == 0 && (len(in.Evidence) > 0 || in.ExpectedCanals > 0) {
		return &protocol.InputError{Field: "evidence", Problem: "there is evidence of canals and no tooth", Want: "the tooth, or no evidence"}
	}
	if in.MostVisits < 0 || in.MostVisits > mostOffered {
		return &protocol.InputError{Field: "most_visits", Problem: fmt.Sprintf("%d", in.MostVisits), Want: fmt.Sprintf("1 to %d, or 0 to let the planner choose", mostOffered)}
	}
	known := Alerts()
	for i, a := range in.Patient.Alerts {
		if !slices.ContainsFunc(known, func(k Alert) bool { return k.ID == a }) {
			return &protocol.InputError{Field: fmt.Sprintf("patient.alerts[%d]", i), Problem: fmt.Sprintf("%q is not in the catalogue", a), Want: "one of " + alertIDs()}
		}
	}
	if kg := in.Patient.WeightKg; kg != 0 && (math.IsNaN(kg) || kg < 2 || kg > 350) {
		return &protocol.InputError{Field: "patient.weight_kg", Problem: fmt.Sprintf("%g kg", kg), Want: "2 to 350, or 0 when it is not known"}
	}
	if mm := in.Patient.OpeningMM; mm != 0 && (math.IsNaN(mm) || mm < 5 || mm > 80) {
		return &protocol.InputError{Field: "patient.opening_mm", Problem: fmt.Sprintf("%g mm", mm), Want: "5 to 80, or 0 when it was not measured"}
	}
	if in.Clinic.Horizon == 0 {
		in.Clinic.Horizon = DefaultHorizon
	}
	if in.Clinic.Cap == 0 {
		in.Clinic.Cap = DefaultCap
	}
	if in.Clinic.Temporary == "" {
		in.Clinic.Temporary = DefaultTemporary
	}
	if _, err := c.Temporary(in.Clinic.Temporary); err != nil {
		return err
	}
	if in.Clinic.Dressing != "" {
		if _, err := c.Medicament(in.Clinic.Dressing); err != nil {
			return err
		}
	}
	if in.Clinic.Edition == "" {
		in.Clinic.Edition = difficulty.Edition2022
	}
	if in.Clinic.Referral == "" {
		in.Clinic.Referral = difficulty.ReferNever
	}
	if in.Begun != nil && in.Begun.DaysAgo < -1 {
		return &protocol.InputError{Field: "begun.days_ago", Problem: fmt.Sprintf("%d days", in.Begun.DaysAgo), Want: "0 or more, or -1 when it is not known"}
	}
	if err := in.checkOverdue(); err != nil {
		return err
	}
	if in.ExpectedCanals < 0 || in.ExpectedCanals > anatomy.Most {
		return &protocol.InputError{Field: "expected_canals", Problem: fmt.Sprintf("%d", in.ExpectedCanals), Want: fmt.Sprintf("1 to %d, or 0 to let the anatomy say", anatomy.Most)}
	}
	return nil
}

func alertIDs() string {
	var ids []string
	for _, a := range Alerts() {
		ids = append(ids, a.ID)
	}
	return strings.Join(ids, ", ")
}
