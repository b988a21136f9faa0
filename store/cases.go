package store

import "time"

// CaseState is where a case stands.
type CaseState string

// The states of a case.
const (
	CaseReferred    CaseState = "referred"     // referral or first call; provisional until the consultation
	CaseAssessed    CaseState = "assessed"     // there is an assessment
	CasePlanned     CaseState = "planned"      // an option is accepted
	CaseInTreatment CaseState = "in_treatment" // the first visit has begun
	CaseFilled      CaseState = "filled"       // treatment complete, restoration or report still open
	CaseInReview    CaseState = "in_review"    // under review
	CaseClosed      CaseState = "closed"       // final; see ClosingReason
)

// ClosingReason says why a case ended.
type ClosingReason string

// The closing reasons.
const (
	ClosedHealed      ClosingReason = "healed_discharged"
	ClosedExtracted   ClosingReason = "extracted"
	ClosedDeclined    ClosingReason = "declined"
	ClosedTransferred ClosingReason = "transferred"
	ClosedLost        ClosingReason = "lost"
	ClosedDied        ClosingReason = "died"
)

// Referral is who sent the patient and what is asked.
type Referral struct {
	From     string `json:"from,omitempty"`
	Question string `json:"question,omitempty"`
	Urgency  string `json:"urgency,omitempty"`  // catalogue id
	Restorer string `json:"restorer,omitempty"` // who restores
	Reviewer string `json:"reviewer,omitempty"` // who reviews
	Received string `json:"received,omitempty"` // calendar day
	// Provisional: what is known comes from the letter alone.
	Provisional bool `json:"provisional,omitempty"`
}

// BegunElsewhere is treatment that another practice began. Its clock runs from
// Date, at intake.
type BegunElsewhere struct {
	Date      string `json:"date,omitempty"`      // calendar day; empty: unknown
	Dressing  string `json:"dressing,omitempty"`  // catalogue id; "unknown" is one
	Temporary string `json:"temporary,omitempty"` // catalogue id
	Note      string `json:"note,omitempty"`
}

// Case is one tooth from referral to discharge.
type Case struct {
	ID        string
	PatientID string
	// Tooth is the ISO 3950 code 11 to 48; 0 means not yet identified.
	Tooth     int
	Clinician string // id of who treats; may be empty
	State     CaseState
	// Protocol and Diagnosis are catalogue ids; may be empty.
	Protocol        string
	Diagnosis       string
	RootDevelopment string // catalogue id; empty: mature
	ClosingReason   ClosingReason
	CloseTime       time.Time // zero while open

	// Sealed at rest, since free text may name a person.
	Referral       *Referral
	BegunElsewhere *BegunElsewhere
	ClosingNote    string
	ClosedOn       string // calendar day on which it ended; may be empty
	Document       []byte // extras of the caller, opaque

	ExternalIDs []ExternalID
	// Revision is the latest plan revision, 0 when there is none; Assessment
	// the latest version of the assessment.
	Revision   int
	Assessment int
	Etag       string
	CreateTime time.Time
	UpdateTime time.Time
}

// CaseUpdate names what to change; nil leaves a field as it is. State may move
// among the open states; a case is closed by CloseCase alone.
type CaseUpdate struct {
	ID              string
	Etag            string // required
	Tooth           *int
	Clinician       *string
	State           *CaseState
	Protocol        *string
	Diagnosis       *string
	RootDevelopment *string
	Referral        **Referral
	BegunElsewhere  **BegunElsewhere
	Document        *[]byte
	ExternalIDs     *[]ExternalID
}

// CaseClosing ends a case. Its bookings that have not begun are cancelled in
// the same transaction.
type CaseClosing struct {
	ID     string
	Etag   string // optional: empty does not check
	Reason ClosingReason
	Note   string
	// On is the calendar day on which it ended, for example of extraction; may be empty.
	On string
}

// ClosedCase is the answer to CloseCase.
type ClosedCase struct {
	Case      Case
	Cancelled []string // ids of the appointments that were cancelled
}

// CaseQuery lists cases, newest first.
type CaseQuery struct {
	PatientID string // empty: of all patients
	OpenOnly  bool
	External  ExternalID // the one case with this name in another system
	IDs       []string   // only these; those that do not exist are left out
	Page      Page
}
