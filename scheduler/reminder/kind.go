// Package reminder decides which messages a patient is owed, when each may
// leave, and what it says.
//
// It decides; it does not send. The same appointment always gives the same
// occasions, so that a sweep may run on any number of servers and as often as
// it likes: the occasion is the key under which a message is kept.
package reminder

// Kind of message. The ids are a catalogue, not an enum: a practice's own kinds
// may be added.
type Kind string

const (
	// Confirmation follows a firm booking.
	Confirmation Kind = "confirmation"
	// Moved tells of a changed time.
	Moved Kind = "moved"
	// Cancelled tells that an appointment will not take place.
	Cancelled Kind = "cancelled"
	// Upcoming reminds of an appointment at the practice's lead times.
	Upcoming Kind = "upcoming"
	// ReturnOverdue calls a patient whose dressing or temporary runs out.
	ReturnOverdue Kind = "return-overdue"
	// RestorationOpen asks for the definitive restoration.
	RestorationOpen Kind = "restoration-open"
	// ReviewInvitation invites to a review.
	ReviewInvitation Kind = "review-invitation"
)

// Kinds lists the kinds that ship, in the order in which a practice edits them.
func Kinds() []Kind {
	return []Kind{Confirmation, Moved, Cancelled, Upcoming, ReturnOverdue, RestorationOpen, ReviewInvitation}
}

// Routine messages give way: at most one a person a day, and none in quiet
// hours. A changed time or a safety call is never held back by a routine one.
func (k Kind) Routine() bool {
	switch k {
	case Moved, Cancelled, ReturnOverdue:
		return false
	}
	return true
}
