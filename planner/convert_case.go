package planner

import (
	"context"

	"google.golang.org/protobuf/proto"

	"github.com/visitwright/visitwright/planner/protocol"
	"github.com/visitwright/visitwright/planner/tooth"
	"github.com/visitwright/visitwright/proto/fault"
	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// casePaths says where in a request the store's fields of a case stand.
var casePaths = fault.Paths{
	"external_ids": "case.external_identifiers", "tooth": "case.tooth.iso", "protocol": "case.protocol",
	"diagnosis": "case.diagnosis", "diagnosis.pulpal": "case.diagnosis.pulpal", "diagnosis.apical": "case.diagnosis.apical",
	"root_development": "case.root_development", "etag": "case.etag", "medicament": "case.treatment_begun.dressing",
	"temporary": "case.treatment_begun.temporary", "stop": "case.treatment_begun.stop", "reason": "closing_reason",
}

// A case as the store keeps it, and the part of the contract's message that
// the store has no field for: kept as the document of the case.
var (
	statesToProto = map[store.CaseState]vw.Case_State{
		store.CaseReferred:    vw.Case_STATE_REFERRED,
		store.CaseAssessed:    vw.Case_STATE_ASSESSED,
		store.CasePlanned:     vw.Case_STATE_PLANNED,
		store.CaseInTreatment: vw.Case_STATE_IN_TREATMENT,
		store.CaseFilled:      vw.Case_STATE_FILLED,
		store.CaseInReview:    vw.Case_STATE_IN_REVIEW,
		store.CaseClosed:      vw.Case_STATE_CLOSED,
	}
	rootsToProto = map[string]vw.RootDevelopment{
		"mature":    vw.RootDevelopment_ROOT_DEVELOPMENT_MATURE,
		"open-apex": vw.RootDevelopment_ROOT_DEVELOPMENT_OPEN_APEX,
		"unknown":   vw.RootDevelopment_ROOT_DEVELOPMENT_UNKNOWN,
	}
	urgenciesToProto = map[string]vw.Referral_Urgency{
		"routine":   vw.Referral_URGENCY_ROUTINE,
		"soon":      vw.Referral_URGENCY_SOON,
		"emergency": vw.Referral_URGENCY_EMERGENCY,
	}
	partiesToProto = map[string]vw.Party{
		"this-practice": vw.Party_PARTY_THIS_PRACTICE,
		"referrer":      vw.Party_PARTY_REFERRER,
	}
)

// inverse finds the word of an enum value; "" for unspecified.
func inverse[V comparable](words map[string]V, value V) string {
	for word, v := range words {
		if v == value {
			return word
		}
	}
	return ""
}

// caseFromProto reads what a client may say of a case.
func (s *Service) caseFromProto(caller Caller, c *vw.Case) (store.Case, error) {
	code, err := toothFromProto("case.tooth", c.GetTooth())
	if err != nil {
		return store.Case{}, err
	}
	out := store.Case{
		Tooth: int(code), Protocol: c.GetProtocol(), RootDevelopment: inverse(rootsToProto, c.GetRootDevelopment()),
		ExternalIDs: externalFromProto(c.GetExternalIdentifiers()), Etag: c.GetEtag(),
	}
	if c.GetProtocol() != "" {
		if _, err := s.shipped.Protocol(c.GetProtocol()); err != nil {
			return store.Case{}, unknownID("case.protocol", "protocols").Because(err)
		}
	}
	if c.GetClinician() != "" {
		n, err := caller.One(names.ClinicianPattern, "case.clinician", c.GetClinician(), vw.ErrorReason_ERROR_REASON_CLINICIAN_NOT_FOUND)
		if err != nil {
			return store.Case{}, err
		}
		out.Clinician = n.ID
	}
	open := c.GetRootDevelopment() == vw.RootDevelopment_ROOT_DEVELOPMENT_OPEN_APEX
	if out.Diagnosis, err = s.diagnosisID("case.diagnosis", c.GetDiagnosis(), open); err != nil {
		return store.Case{}, err
	}
	if out.Referral, err = referralFromProto(c.GetReferral()); err != nil {
		return store.Case{}, err
	}
	if out.BegunElsewhere, err = s.begunFromProto(c.GetTreatmentBegun()); err != nil {
		return store.Case{}, err
	}
	out.Document, err = caseDocument(c.GetDiagnosis(), c.GetTreatmentBegun().GetStop())
	return out, err
}

// diagnosisID is the diagnosis by which figures are tabled; "" for none.
func (s *Service) diagnosisID(path string, d *vw.Diagnosis, openApex bool) (string, error) {
	if d.GetPulpal() == "" && d.GetApical() == "" {
		return "", nil
	}
	combined, err := s.shipped.Combine(d.GetPulpal(), d.GetApical(), openApex)
	if err != nil {
		return "", s.fault(err, Caller{}, fault.Paths{"diagnosis.pulpal": path + ".pulpal", "diagnosis.apical": path + ".apical"})
	}
	return combined.ID, nil
}

// caseDocument keeps the two terms of the diagnosis and the stop in which
// another practice left the tooth, in the contract's own encoding.
func caseDocument(d *vw.Diagnosis, stop string) ([]byte, error) {
	if d == nil && stop == "" {
		return nil, nil
	}
	kept := &vw.Case{Diagnosis: d}
	if stop != "" {
		kept.TreatmentBegun = &vw.TreatmentBegun{Stop: stop}
	}
	return proto.MarshalOptions{Deterministic: true}.Marshal(kept)
}

func readCaseDocument(document []byte) *vw.Case {
	kept := &vw.Case{}
	// What cannot be read any more leaves the fields empty; the diagnosis that
	// figures are tabled by stands in a column of its own.
	if err := proto.Unmarshal(document, kept); err != nil {
		return &vw.Case{}
	}
	return kept
}

// caseToProto shows a case.
func caseToProto(practice string, c store.Case, shown tooth.System) *vw.Case {
	kept := readCaseDocument(c.Document)
	out := &vw.Case{
		Tooth: toothToProto(tooth.Code(c.Tooth), shown), Diagnosis: kept.GetDiagnosis(), Referral: referralToProto(c.Referral),
		State: statesToProto[c.State], ClosingReason: closingToProto(c.ClosingReason), EndDate: dayToProto(c.ClosedOn),
		TreatmentBegun: begunToProto(c.BegunElsewhere, kept.GetTreatmentBegun().GetStop()), RootDevelopment: rootsToProto[c.RootDevelopment],
		Protocol: c.Protocol, ExternalIdentifiers: externalToProto(c.ExternalIDs), CreateTime: instant(c.CreateTime), UpdateTime: instant(c.UpdateTime), Etag: c.Etag,
	}
	if c.PatientID != "" {
		out.Patient = names.Patient(practice, c.PatientID)
	}
	if c.Clinician != "" {
		out.Clinician = names.Clinician(practice, c.Clinician)
	}
	// What the letter said stays provisional until an assessment confirms it.
	out.Provisional = c.Referral != nil && c.Referral.Provisional && c.Assessment == 0
	if out.Diagnosis != nil {
		out.Diagnosis.Provisional = out.Diagnosis.Provisional && c.Assessment == 0
	}
	if c.ID == "" {
		return out
	}
	out.Name = names.Case(practice, c.ID)
	if c.Assessment > 0 {
		out.LatestAssessment = names.Assessment(practice, c.ID, c.Assessment)
	}
	if c.Revision > 0 {
		out.LatestPlan = names.Plan(practice, c.ID, c.Revision)
	}
	return out
}

// showCase is caseToProto with the practice's way of writing a tooth.
func (s *Service) showCase(ctx context.Context, caller Caller, c store.Case) (*vw.Case, error) {
	shown, err := s.notation.of(ctx, s, caller)
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	return caseToProto(caller.Practice, c, shown), nil
}

func referralFromProto(r *vw.Referral) (*store.Referral, error) {
	if r == nil {
		return nil, nil
	}
	received, err := dayFromProto("case.referral.receive_date", r.GetReceiveDate())
	if err != nil {
		return nil, err
	}
	return &store.Referral{
		From: r.GetFrom(), Question: r.GetQuestion(), Urgency: inverse(urgenciesToProto, r.GetUrgency()),
		Restorer: inverse(partiesToProto, r.GetRestores()), Reviewer: inverse(partiesToProto, r.GetReviews()),
		Received: received, Provisional: r.GetProvisionalFromLetter(),
	}, nil
}

func referralToProto(r *store.Referral) *vw.Referral {
	if r == nil {
		return nil
	}
	return &vw.Referral{
		From: r.From, Question: r.Question, Urgency: urgenciesToProto[r.Urgency], Restores: partiesToProto[r.Restorer],
		Reviews: partiesToProto[r.Reviewer], ReceiveDate: dayToProto(r.Received), ProvisionalFromLetter: r.Provisional,
	}
}

// unknownHere is the id for what nobody knows of treatment begun elsewhere.
const unknownHere = "unknown"

func (s *Service) begunFromProto(b *vw.TreatmentBegun) (*store.BegunElsewhere, error) {
	if b == nil {
		return nil, nil
	}
	const at = "case.treatment_begun"
	day, err := dayFromProto(at+".visit_date", b.GetVisitDate())
	if err != nil {
		return nil, err
	}
	if _, err := s.shipped.Medicament(b.GetDressing()); err != nil && b.GetDressing() != unknownHere {
		return nil, unknownID(at+".dressing", "medicaments").Because(err)
	}
	if _, err := s.shipped.Temporary(b.GetTemporary()); err != nil && b.GetTemporary() != unknownHere {
		return nil, unknownID(at+".temporary", "temporaries").Because(err)
	}
	if _, err := s.shipped.Stop(b.GetStop()); err != nil && b.GetStop() != unknownHere {
		return nil, unknownID(at+".stop", "stops").Because(err)
	}
	return &store.BegunElsewhere{Date: day, Dressing: b.GetDressing(), Temporary: b.GetTemporary(), Note: b.GetNote()}, nil
}

func begunToProto(b *store.BegunElsewhere, stop string) *vw.TreatmentBegun {
	if b == nil {
		return nil
	}
	if stop == "" {
		stop = unknownHere
	}
	return &vw.TreatmentBegun{VisitDate: dayToProto(b.Date), Dressing: b.Dressing, Temporary: b.Temporary, Stop: stop, Note: b.Note}
}

// suits refuses a protocol that does not go with the diagnosis, when both are
// known.
func (s *Service) suits(protocolID, diagnosis string) error {
	if protocolID == "" || diagnosis == "" {
		return nil
	}
	p, err := s.shipped.Protocol(protocolID)
	if err != nil {
		return err
	}
	if !p.Suits(diagnosis) {
		return &protocol.InputError{Field: "protocol", Problem: "does not go with the diagnosis", Want: "a protocol that lists the diagnosis, or none, which lets the assessment choose"}
	}
	return nil
}
