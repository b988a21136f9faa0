package store

import (
	"context"
	"time"
)

// FollowUp is something that must happen to a case by a date. Days are
// calendar days of the practice.
type FollowUp struct {
	CaseID, PatientID               string
	Key                             string // stable while the cause lasts
	Kind                            string // catalogue id
	State                           string // ahead, due, booked, booked-outside or overdue
	Actor                           string // catalogue id: whose task
	Earliest, Target, Latest, ActOn string
	Reason                          string
	Replan                          string // what the plan becomes once the latest day is past

	// What follows is read and never written.

	Tooth      int // of the case; 0 while it is not identified
	CaseClosed bool
	Revision   int // newest plan of the case; 0: none
	NextVisit  int // of that plan, for a return visit; 0: the plan has no further one
	// ProposedRevision is the plan made since the latest day passed, 0 for none;
	// PlanProblem says why none could be made.
	ProposedRevision int
	PlanProblem      string
}

// ReviewHeld is one review of a case, for the practice's figures.
type ReviewHeld struct {
	Months  int    // after the anchor
	Held    bool   // false: its latest day passed and nobody came
	Outcome string // catalogue id; empty when not held
	Day     string // on which it was held, or its latest day
}

// ReviewCount is how many reviews of a practice are alike.
type ReviewCount struct {
	Months  int // after the anchor
	Held    bool
	Outcome string // catalogue id; empty when not held
	Count   int
}

// Care is what a look at one case starts from.
type Care struct {
	Case Case
	// Document is what was recorded after the visits, opaque; nil when nothing was.
	Document []byte
	// Appointments of the case that are not cancelled, by start.
	Appointments []Appointment
	// Visits that ended in the chair, the oldest first.
	Visits []ChairVisit
	// Coming are the visits that the newest plan still asks for, in their order.
	// They are read only when an appointment stands whose length an earlier
	// revision gave; else nil.
	Coming []PlannedVisit
	// Died: a case of the patient was closed because they died.
	Died bool
	Now  time.Time
}

// CareResult is what a look came to.
type CareResult struct {
	// Keep is false for a preview: nothing is written.
	Keep bool
	// Document replaces what is kept; nil leaves it.
	Document  []byte
	FollowUps []FollowUp
	Reviews   []ReviewHeld
	Messages  []NewMessage
	// Look is when the case is looked at again; zero: only an event changes it.
	Look time.Time
	// About names what a person recorded, for the audit trail; empty for a sweep.
	About string
	// CaseState is where the case stands afterwards; empty leaves it.
	CaseState CaseState
}

// FollowUpQuery lists follow-ups that are not ahead, by latest day.
type FollowUpQuery struct {
	State string // empty: all but ahead
	Kind  string
	Actor string
	// LatestBy, when set, leaves out what has a later latest day; ActBy what
	// nobody need act on before that day.
	LatestBy, ActBy string
	CaseID          string // ahead ones included
	Page            Page
}

// DueCare is a case that is due to be looked at.
type DueCare struct {
	Practice string `db:"practice_id"`
	CaseID   string `db:"case_id"`
}

// FollowUps keeps what falls due.
type FollowUps interface {
	// LookAtCare calls fn with the case as it stands and writes what it returns,
	// in one transaction. fn may run several times. ErrNotFound.
	LookAtCare(ctx context.Context, call Call, caseID string, fn func(Care) (CareResult, error)) (CareResult, error)
	// ReadCare returns the case as it stands.
	ReadCare(ctx context.Context, call Call, caseID string) (Care, error)
	// ListFollowUps returns a page and the cursor of the next.
	ListFollowUps(ctx context.Context, call Call, q FollowUpQuery) ([]FollowUp, string, error)
	// CountReviews counts the reviews of all cases of the practice, those that were
	// missed among them, by month, by whether they were held and by outcome.
	CountReviews(ctx context.Context, call Call) ([]ReviewCount, error)

	// TakeCauses takes what changed since the last call, of one practice or with
	// an empty one of all: cases concerned become due at once, and plan is asked
	// for the messages of each appointment. It returns how many it took.
	TakeCauses(ctx context.Context, practice string, limit int, plan PlanAppointment) (int, error)
	// DueCare lists cases that are due, of one practice or of all, the longest
	// due first.
	DueCare(ctx context.Context, practice string, limit int) ([]DueCare, error)
}

// PlanAppointment says which messages an appointment is owed. known are the
// messages that it has had.
type PlanAppointment func(ctx context.Context, practice string, a Appointment, known []Message, now time.Time) ([]NewMessage, error)

var _ FollowUps = (*Store)(nil)
