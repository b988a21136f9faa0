package diary

import (
	"fmt"
	"time"

	"github.com/visitwright/visitwright/scheduler/civil"
)

// Hold is one stretch of time for which a booking occupies one resource. A
// booking holds each resource only for the part of the visit that needs it.
type Hold struct {
	Resource Ref            `json:"resource"`
	Time     civil.Interval `json:"time"`
}

// Booking is an appointment in the diary, ours or another system's. Those of
// another system may lie off the grid, outside the hours and over one another:
// each occupies every cell that it touches.
type Booking struct {
	ID    string         `json:"id"`
	Chair civil.Interval `json:"chair"` // the patient's time
	Holds []Hold         `json:"holds"`
}

// BookingError says what is wrong with one booking without saying whose it is.
type BookingError struct {
	Booking string // its id
	Problem string
}

func (e *BookingError) Error() string { return fmt.Sprintf("booking %s: %s", e.Booking, e.Problem) }

// longestHold bounds a single hold: a booking of days is an absence.
const longestHold = 26 * time.Hour

func (b Booking) validate() error {
	for _, h := range b.Holds {
		if !h.Time.End.After(h.Time.Start) {
			return &BookingError{b.ID, fmt.Sprintf("%s: want an end after the start", h.Resource)}
		}
		if h.Time.End.Sub(h.Time.Start) > longestHold {
			return &BookingError{b.ID, fmt.Sprintf("%s: held for more than %s; want an absence or a closure instead", h.Resource, longestHold)}
		}
	}
	return nil
}
