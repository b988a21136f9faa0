// Package followup derives what must happen to a case, by when, and who acts.
//
// Nothing here is remembered: a follow-up is computed from the case's own
// events, so that a booking, a cancellation, a new revision or a closed case
// moves or ends it at once, and a server that was down has missed nothing.
package followup

import (
	"github.com/visitwright/visitwright/planner/recall"
	"github.com/visitwright/visitwright/scheduler/civil"
)

// Case is what the follow-ups of one case are derived from.
type Case struct {
	// Closed ends every follow-up.
	Closed bool
	// Open is the tooth between visits: dressed or temporised and not filled.
	Open *Open
	// Filled is set once the canals are filled.
	Filled *Filled
	// Reviews is set once a series of reviews has an anchor.
	Reviews *Reviews
	// Booked are the coming appointments of this case.
	Booked []Appointment
	// Short are coming appointments that are shorter than the newest plan asks.
	Short []Short
	// Missed counts appointments in a row that the patient did not attend, since
	// the last one attended.
	Missed int
	// PutOff moves the day on which people are asked to act, never a clinical
	// bound. Keyed by FollowUp.Key.
	PutOff map[string]PutOff
	// Done are decisions that were taken, by FollowUp.Key.
	Done map[string]bool
	// IndexBefore is the periapical index before treatment, 0 when not read.
	IndexBefore int
	// Complaint is what the patient called about and nobody has looked at yet,
	// on a tooth that is not open.
	Complaint *Complained
}

// Complained is a call between visits.
type Complained struct {
	On   civil.Date
	What Complaint
}

func (c Complained) key() string { return "re-assess/call/" + c.On.String() }

// Open is a tooth that waits for its next visit.
type Open struct {
	Since civil.Date // the day of the visit that left it open
	// EarliestDays, TargetDays and LatestDays count from Since.
	EarliestDays, TargetDays, LatestDays int
	OpensBecause, ClosesBecause          string // the reasons of the bounds
	// PastLatest is what the plan becomes when the latest day has passed, in
	// order of AfterDays.
	PastLatest []Change
	// SealLatestDays is the latest day of the temporary restoration alone, 0
	// when it is not the binding one or not known.
	SealLatestDays int
	// Urgent: pain or swelling was reported; every minimum is waived.
	Urgent bool
	// Stop, Medicament, Temporary (catalogue ids) and SealMM are what was left,
	// as far as it was said: a plan for an overdue tooth starts from them.
	Stop, Medicament, Temporary string
	SealMM                      float64
	// Ended: the treatment was stopped for this reason and the case is open for
	// the decision about the tooth. Nobody is called back to go on.
	Ended string
	// ByClinician: the window cannot be kept as it stands and a clinician decides.
	Unclear string
}

// Change of plan once a day is past.
type Change struct {
	AfterDays int    // counted from Since
	Text      string // for example "renew the dressing; do not fill on that day"
}

// Cover is the definitive restoration that the tooth needs.
type Cover string

const (
	// Coverage: the cusps must be covered.
	Coverage Cover = "coverage"
	// Bonded: a bonded filling is enough.
	Bonded Cover = "bonded"
)

// Filled is a tooth whose canals are filled.
type Filled struct {
	On   civil.Date
	Core civil.Date // day on which the core was placed; zero while it is missing
	// Needs is the definitive restoration; RestoredOn the day on which it was
	// placed or reported, zero while it is open.
	Needs      Cover
	RestoredOn civil.Date
	// ByReferrer: the referring dentist restores, and is asked instead of the
	// patient being booked here.
	ByReferrer bool
}

// Reviews is a series of reviews that has begun.
type Reviews struct {
	Calendar recall.Calendar
	Anchor   civil.Date // day of the anchor event
	Held     []recall.Held
	LastHeld civil.Date // day of the last review held; zero when none was
	// ByReferrer: the referring dentist reviews and reports.
	ByReferrer bool
}

// Purpose of an appointment.
type Purpose string

const (
	ForTreatment   Purpose = "treatment"
	ForRestoration Purpose = "restoration"
	ForReview      Purpose = "review"
	ForOther       Purpose = "other" // ends no follow-up: a consultation, a new seal
)

// Appointment is a coming appointment.
type Appointment struct {
	On      civil.Date
	Purpose Purpose
}

// Short is a coming appointment whose length an earlier plan gave, and which is
// too short for the newest.
type Short struct {
	ID             string // of the appointment
	On             civil.Date
	Booked, Needed int // minutes
}

// PutOff is a decision to ask later.
type PutOff struct {
	Until  civil.Date
	Reason string
}
