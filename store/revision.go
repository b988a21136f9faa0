package store

import "time"

// Assessment is one version of what is known about a case. Versions are never
// changed; the latest counts.
type Assessment struct {
	CaseID     string
	Version    int    // from 1
	Document   []byte // the assessment, opaque to the store; sealed at rest; at most MaxDocument bytes
	Actor      string
	CreateTime time.Time
}

// NewAssessment is the next version of an assessment.
type NewAssessment struct {
	CaseID string
	// Base is the version that the author saw: 0 for the first. Another latest
	// version gives ErrStaleEtag.
	Base     int
	Document []byte
	// Tooth, Protocol, Diagnosis and CaseDocument, when set, are copied to the
	// case in the same transaction.
	Tooth        *int
	Protocol     *string
	Diagnosis    *string
	CaseDocument *[]byte
}

// PlannedVisit is one visit of one option, as rows that the diary and the
// follow-ups can query.
type PlannedVisit struct {
	Option  string // id of the option within the revision
	Visit   int    // from 1
	Minutes int    // appointment length
	// EarliestDays, TargetDays and LatestDays after the previous visit; nil
	// means no bound. The first visit has none.
	EarliestDays *int
	TargetDays   *int
	LatestDays   *int
	// IfNeeded: booked only in case, and released by itself.
	IfNeeded bool
	// NeedPermille is the chance in thousandths that the visit is needed.
	NeedPermille int
}

// PlanRevision is one revision of a case's plan. It is never changed.
type PlanRevision struct {
	CaseID             string
	Revision           int    // from 1, without gaps
	AssessmentVersion  int    // the assessment it was made from; 0: none
	Cause              string // catalogue id: why it was made, for example "proposal", "chair-event"
	Recommended        string // id of the recommended option
	ModelVersion       string
	DataVersion        string
	CalibrationVersion string
	Document           []byte // the plan's version-1 wire bytes, opaque; sealed at rest; at most MaxDocument bytes
	Visits             []PlannedVisit
	Actor              string
	CreateTime         time.Time
	// Acceptance is nil while no option of this revision has been accepted.
	Acceptance *Acceptance
}

// NewPlanRevision is the next revision of a case's plan.
type NewPlanRevision struct {
	CaseID string
	// Base is the revision that the author saw: 0 for the first. Another latest
	// revision gives ErrStaleEtag.
	Base               int
	AssessmentVersion  int
	Cause              string
	Recommended        string
	ModelVersion       string
	DataVersion        string
	CalibrationVersion string
	Document           []byte
	Visits             []PlannedVisit
	// Passed, when set, is the latest date that asked for this revision. Another
	// revision made for it gives ErrExists, and nothing is kept.
	Passed *PassedDate
}

// Consent says that the patient agreed: to which option, when and by whom.
type Consent struct {
	Given bool      `json:"given"`
	By    string    `json:"by,omitempty"`   // "patient" or "guardian"
	Form  string    `json:"form,omitempty"` // catalogue id: "written", "spoken"
	Time  time.Time `json:"time,omitzero"`
	Note  string    `json:"note,omitempty"`
}

// Acceptance is a clinician's acceptance of one option of a revision, with the
// patient's consent. It is never changed; a later one supersedes it.
type Acceptance struct {
	CaseID    string
	Revision  int
	Option    string
	Clinician string // id of the clinician who accepted; empty when the token names none
	Consent   Consent
	// Against is why it was accepted although a rule advises against it.
	Against    string
	Actor      string
	CreateTime time.Time
}

// NewAcceptance accepts an option. The revision must be the latest.
type NewAcceptance struct {
	CaseID    string
	Revision  int
	Option    string
	Clinician string
	Consent   Consent
	Against   string // at most 500 characters
}

// MaxDocument is the largest opaque document that is kept, in bytes.
const MaxDocument = 1 << 20
