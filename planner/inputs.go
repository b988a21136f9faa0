package planner

import (
	"context"
	"fmt"
	"slices"

	"github.com/visitwright/visitwright/planner/anaesthetic"
	"github.com/visitwright/visitwright/planner/anatomy"
	"github.com/visitwright/visitwright/planner/difficulty"
	"github.com/visitwright/visitwright/planner/proposal"
	"github.com/visitwright/visitwright/planner/protocol"
	"github.com/visitwright/visitwright/planner/tooth"
	returns "github.com/visitwright/visitwright/planner/window"
	"github.com/visitwright/visitwright/proto/fault"
	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/scheduler/civil"
	"github.com/visitwright/visitwright/store"
)

// dayFact is a fact of the catalogue "factors" that is no condition of the
// protocol: a sign of the day, or a wish.
type dayFact struct {
	id, title string
	set       func(*proposal.Findings)
}

var dayFacts = []dayFact{
	{"exudate", "the canal will not dry", func(f *proposal.Findings) { f.Exudate = true }},
	{"swelling", "swelling on the day", func(f *proposal.Findings) { f.Swelling = true }},
	{"pain", "pain on the day", func(f *proposal.Findings) { f.Pain = true }},
	{"not-restorable", "judged not restorable by a clinician", func(f *proposal.Findings) { f.NotRestorable = true }},
	{"long-journey", "the patient comes from far or cannot come back easily", func(f *proposal.Findings) { f.LongJourney = true }},
	{"restore-same-day", "the restoration is wanted on the same day", func(f *proposal.Findings) { f.RestoreSameDay = true }},
}

// conditions are the facts of the catalogue "factors" that the protocol asks
// for. Those that follow from settings and record are not asked.
var conditions = []struct{ id, title string }{
	{protocol.Caries, "caries or a failing filling has to go first"},
	{protocol.Crowned, "access is through a crown that stays"},
	{protocol.Post, "a post is in the canal"},
	{protocol.Splinted, "the tooth is splinted"},
	{protocol.NarrowMesial, "the mesial canals are narrow"},
	{protocol.LengthImage, "a working-length radiograph is taken beside the apex locator"},
}

// inputPaths says where in a request the fields stand that the proposal speaks
// of.
var inputPaths = fault.Paths{
	"tooth": "parent", "diagnosis": "findings.diagnosis", "conditions": "findings.factors", "expected_canals": "findings.expected_canals",
	"patient.weight_kg": "patient.weight_kg", "patient.opening_mm": "findings.mouth_opening_mm", "option": "option", "course_ends_in": "patient.alerts.last_date", "evidence": "findings.evidence", "protocol": "case.protocol",
	"begun": "case.treatment_begun", "overrides": "settings.overrides", "bear": "findings.tolerance",
}

// undetermined is the diagnosis of a tooth that nobody has examined yet: enough
// for a consultation, and for relief.
const undetermined = "undetermined"

// record is all that is known of one case when something is computed.
type record struct {
	kept     store.Case
	patient  store.Patient
	settings *vw.PracticeSettings
	eyes     clinicianSettings // what the clinician who treats wants to see
	shown    tooth.System
}

// read reads the case with what a plan rests on.
func (s *Service) read(ctx context.Context, caller Caller, caseID string) (record, error) {
	var r record
	var err error
	call := caller.Reading()
	if r.kept, err = s.store.GetCase(ctx, call, caseID); err != nil {
		return r, s.fault(err, caller, nil)
	}
	if r.patient, err = s.store.GetPatient(ctx, call, r.kept.PatientID); err != nil {
		return r, s.fault(err, caller, nil)
	}
	if r.settings, err = s.settings(ctx, caller); err != nil {
		return r, s.fault(err, caller, nil)
	}
	who := caller.Clinician
	if who == "" {
		who = r.kept.Clinician
	}
	if who != "" {
		c, err := s.store.GetClinician(ctx, call, who)
		if err != nil {
			return r, s.fault(err, caller, nil)
		}
		if r.eyes, err = readClinicianSettings(c.Settings); err != nil {
			return r, err
		}
	}
	if r.shown, err = s.notation.of(ctx, s, caller); err != nil {
		return r, s.fault(err, caller, nil)
	}
	return r, nil
}

// input is what the proposal is made from.
func (s *Service) input(caller Caller, r record, f *vw.Findings) (proposal.Input, error) {
	p, _ := s.shipped.Protocol(r.kept.Protocol)
	if r.kept.Tooth == 0 && !p.AnyTooth {
		return proposal.Input{}, fault.State(vw.ErrorReason_ERROR_REASON_TOOTH_NOT_IDENTIFIED, names.Case(caller.Practice, r.kept.ID),
			"the tooth is not yet identified: want the protocol consultation or emergency-relief first, or the case with its tooth")
	}
	in := proposal.Input{Tooth: tooth.Code(r.kept.Tooth), Notation: r.shown, Protocol: r.kept.Protocol,
		ExpectedCanals: int(f.GetExpectedCanals()), Findings: proposal.Findings{OpenApex: openApex(r)}}
	var err error
	if in.Clinic, err = clinicOf(r, f); err != nil {
		return in, err
	}
	if in.Diagnosis, err = s.diagnosisOf(r, f); err != nil {
		return in, err
	}
	if in.Diagnosis == "" && !p.Suits(undetermined) {
		return in, fault.Invalid(vw.ErrorReason_ERROR_REASON_UNKNOWN_CATALOGUE_ID, "findings.diagnosis.pulpal", "a pulpal diagnosis: neither the findings nor the case have one").With("catalogue", "pulpal-diagnoses")
	}
	if in.Answers, err = answersFromProto(in.Clinic.Edition, f.GetAnswers()); err != nil {
		return in, err
	}
	if in.Evidence, err = evidenceFromProto(f.GetEvidence()); err != nil {
		return in, err
	}
	if in.Shape = anatomy.Shape(f.GetShape()); in.Shape != "" && !slices.Contains(shapes, in.Shape) {
		return in, unknownID("findings.shape", "anatomy-kinds")
	}
	if err := factsFromProto(&in, f.GetFactors()); err != nil {
		return in, err
	}
	if in.Patient, err = s.patientInput(r, f); err != nil {
		return in, err
	}
	in.Begun, err = s.begunInput(r)
	return in, err
}

// openApex: the root is recorded as not grown to its end.
func openApex(r record) bool { return r.kept.RootDevelopment == "open-apex" }

// diagnosisOf is the diagnosis among the findings, or else the case's; "" for none.
func (s *Service) diagnosisOf(r record, f *vw.Findings) (string, error) {
	id, err := s.diagnosisID("findings.diagnosis", f.GetDiagnosis(), openApex(r))
	if id == "" {
		id = r.kept.Diagnosis
	}
	return id, err
}

var shapes = []anatomy.Shape{anatomy.Usual, anatomy.CShaped, anatomy.DistolingualRoot}

func factsFromProto(in *proposal.Input, factors []string) error {
	for i, id := range factors {
		fact := slices.IndexFunc(dayFacts, func(f dayFact) bool { return f.id == id })
		switch {
		case fact >= 0:
			dayFacts[fact].set(&in.Findings)
		case slices.ContainsFunc(conditions, func(c struct{ id, title string }) bool { return c.id == id }):
			if !slices.Contains(in.Conditions, id) {
				in.Conditions = append(in.Conditions, id)
			}
		default:
			return unknownID(index("findings.factors", i), "factors")
		}
	}
	return nil
}

// clinicOf reads the practice's and the clinician's settings.
func clinicOf(r record, f *vw.Findings) (proposal.Clinic, error) {
	v := r.settings
	overrides, err := overridesFromProto(v)
	if err != nil {
		return proposal.Clinic{}, err
	}
	out := proposal.Clinic{
		Cost: costFromProto(v.GetCost()), Grid: gridFromProto(v.GetGrid()), Horizon: int(v.GetHorizon()), Cap: proposal.DefaultCap,
		Edition: difficulty.Edition(v.GetDifficultyEdition()), Overrides: overrides, Microscope: v.GetMicroscope(), CoreSameVisit: v.GetCoreSameVisit(),
		Dressing: v.GetDressing(), Temporary: v.GetTemporary(), Referral: referralSetting(r.eyes), PartlyStops: r.eyes.PartlyStops,
		UrgentInstruction: v.GetUrgentInstruction(), Anaesthetic: anaestheticFromProto(v, nil),
	}
	if f.GetEdition() != "" {
		out.Edition = difficulty.Edition(f.GetEdition())
	}
	return out, nil
}

func (s *Service) patientInput(r record, f *vw.Findings) (proposal.Patient, error) {
	out := proposal.Patient{WeightKg: float64(r.patient.WeightGrams) / 1000, OpeningMM: f.GetMouthOpeningMm(), Bear: toleranceFromProto(f.GetTolerance())}
	day, err := today(s.now(), r.settings.GetZone())
	if err != nil {
		return out, err
	}
	for i, a := range r.patient.Alerts {
		if !acts(a, day) {
			continue
		}
		if until, err := civil.ParseDate(a.Until); err == nil && a.Kind == courseAlert {
			days := until.DaysSince(day)
			if days > returns.LongestCourse {
				return out, fault.Invalid(vw.ErrorReason_ERROR_REASON_IMPOSSIBLE_FIGURE, index("patient.alerts", i)+".last_date",
					fmt.Sprintf("a last day of the course at most %d days from today: no visit waits for a longer one; leave the day out for lasting treatment", returns.LongestCourse))
			}
			if out.CourseEndsIn == nil || days > *out.CourseEndsIn {
				out.CourseEndsIn = &days
			}
		}
		if !slices.Contains(out.Alerts, a.Kind) {
			out.Alerts = append(out.Alerts, a.Kind)
		}
	}
	return out, nil
}

// acts reports whether an alert acts on a day: it has begun and is not over.
func acts(a store.Alert, day civil.Date) bool {
	if since, err := civil.ParseDate(a.Since); err == nil && since.After(day) {
		return false
	}
	until, err := civil.ParseDate(a.Until)
	return err != nil || !until.Before(day)
}

// courseAlert is the alert that says which antibiotic course is running, and
// until when.
const courseAlert = "antibiotic-course"

// begunInput counts the days since another practice dressed the tooth.
func (s *Service) begunInput(r record) (*proposal.Begun, error) {
	b := r.kept.BegunElsewhere
	if b == nil {
		return nil, nil
	}
	out := &proposal.Begun{DaysAgo: -1, Dressing: b.Dressing, Temporary: b.Temporary, Stop: readCaseDocument(r.kept.Document).GetTreatmentBegun().GetStop()}
	if b.Date == "" {
		return out, nil
	}
	placed, err := civil.ParseDate(b.Date)
	if err != nil {
		return nil, fmt.Errorf("treatment begun elsewhere: %w", err)
	}
	day, err := today(s.now(), r.settings.GetZone())
	if err != nil {
		return nil, err
	}
	if out.DaysAgo = day.DaysSince(placed); out.DaysAgo < 0 {
		return nil, fault.Invalid(vw.ErrorReason_ERROR_REASON_INVALID_FIELD, "case.treatment_begun.visit_date", "a day that is not in the future")
	}
	return out, nil
}

func anaestheticFromProto(v *vw.PracticeSettings, given []*vw.GivenAnaesthetic) proposal.AnaestheticUse {
	out := proposal.AnaestheticUse{Profile: anaesthetic.Profile(v.GetAnaestheticProfile()), CartridgeML: v.GetCartridgeMl()}
	for _, a := range v.GetAnaesthetics() {
		out.Solutions = append(out.Solutions, solutionFromProto(a, out.CartridgeML))
	}
	for _, g := range given {
		out.Given = append(out.Given, anaesthetic.Given{Solution: solutionFromProto(g.GetSolution(), out.CartridgeML), Cartridges: g.GetCartridges()})
	}
	return out
}
