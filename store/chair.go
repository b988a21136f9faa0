package store

import (
	"context"
	"time"
)

// ChairVisit is one visit in the chair. It is never changed: what happens in
// it is in its marks.
type ChairVisit struct {
	CaseID      string
	Number      int // of the case, from 1
	Revision    int // plan revision that it is read against
	Option      string
	Planned     int    // which visit of that option
	Appointment string // id; empty when there is none
	Clinician   string // id; empty when nobody was named
	Minutes     int    // booked
	Document    []byte // the tooth as it stood before, opaque; sealed at rest
	Actor       string
	CreateTime  time.Time
	Marks       []ChairMark // in the order in which they came in
}

// Ended reports whether the visit has its end.
func (v ChairVisit) Ended() bool {
	for _, m := range v.Marks {
		if m.Kind == MarkEnd {
			return true
		}
	}
	return false
}

// ChairMark is one entry of a visit. It is never changed.
type ChairMark struct {
	ID         string // chosen by the client; the same is kept once
	Kind       string
	At         time.Time // when it happened
	Document   []byte    // the entry, opaque; sealed at rest
	Actor      string
	CreateTime time.Time
}

// Kinds of marks that the store knows: a visit begins once and ends once.
const (
	MarkBegin = "begin"
	MarkEnd   = "end"
)

// NewChairVisit begins a visit with its first mark.
type NewChairVisit struct {
	CaseID      string
	Revision    int
	Option      string
	Planned     int
	Appointment string
	Clinician   string
	Minutes     int
	Document    []byte
	Begin       ChairMark
}

// NewChairMarks adds entries.
type NewChairMarks struct {
	CaseID string
	Visit  int
	// Base is the number of marks that the author saw. Another number gives
	// ErrStaleEtag, unless every mark is kept already.
	Base  int
	Marks []ChairMark
	// CaseState is where the case stands afterwards; empty leaves it.
	CaseState CaseState
	// Observation of the visit as it is now; nil when there is none.
	Observation *Observation
	// Close ends the case in the same step and cancels what is booked; nil
	// leaves it open.
	Close *CaseClosing
	// CancelBookings cancels what is booked for the case and has not begun,
	// and leaves the case open.
	CancelBookings bool
}

// ChairAdded is what adding entries did.
type ChairAdded struct {
	Count     int      // marks of the visit now
	Cancelled []string // ids of appointments
}

// Observation is what one ended visit says about speed, derived from its
// marks.
type Observation struct {
	CaseID     string
	Visit      int
	Protocol   string
	ToothClass string
	Clinician  string
	End        time.Time
	Document   string // JSON; no data of a patient
}

// MaxChairMarks bounds one visit; a long one has about a hundred.
const MaxChairMarks = 1000

// MaxObservations is the most visits of one group that are weighed: older ones
// count next to nothing.
const MaxObservations = 500

// Chair keeps visits and their entries.
type Chair interface {
	// BeginChairVisit keeps a visit with its first mark. ErrWrongState when the
	// case is closed or has a visit that has not ended; ErrNotFound when the
	// revision, the clinician or the appointment is not there.
	BeginChairVisit(ctx context.Context, call Call, v NewChairVisit) (ChairVisit, error)
	// AddChairMarks keeps entries, all or none; those that are there already
	// are passed over. ErrStaleEtag when others came first, ErrRequestIDReused
	// when an id stands for another entry, ErrWrongState when the visit is full.
	AddChairMarks(ctx context.Context, call Call, add NewChairMarks) (ChairAdded, error)
	// GetChairVisit reads a visit with its marks; 0 means the newest.
	GetChairVisit(ctx context.Context, call Call, caseID string, visit int) (ChairVisit, error)
	// ListChairVisits returns a page of a case's visits with their marks, the
	// newest first, and the cursor of the next.
	ListChairVisits(ctx context.Context, call Call, caseID string, page Page) ([]ChairVisit, string, error)
	// ListEndedVisits returns the visits of the practice that ended in
	// [from, to), with their marks, by their end: at most MaxPageSize after the
	// cursor.
	ListEndedVisits(ctx context.Context, call Call, from, to time.Time, after string) ([]ChairVisit, string, error)
	// ListObservations returns the newest of one group, or of all groups with
	// an empty protocol, the newest first.
	ListObservations(ctx context.Context, call Call, protocol, toothClass string) ([]Observation, error)
}

var _ Chair = (*Store)(nil)
