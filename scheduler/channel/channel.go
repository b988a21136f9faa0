// Package channel carries messages out of the house: e-mail over SMTP, and a
// signed webhook for a gateway or another system.
//
// A channel says what became of a message in one of four ways, because the
// outbox treats each differently: delivered; temporary (try again later);
// permanent (never try again, tell people); uncertain (the other side may have
// it: a second try carries the same id).
package channel

import (
	"context"
	"errors"
	"fmt"
)

// Letter is one message, ready to leave.
type Letter struct {
	// ID is stable over every attempt. A receiver that honours it sees the
	// message once.
	ID      string
	Kind    string // catalogue id of the kind of message, for machines
	To      string // e-mail address or phone number, as the channel takes it
	Subject string
	Body    string
}

// Channel carries letters.
type Channel interface {
	// Send returns nil when the other side took the letter. Any other outcome is
	// a *Failure. It returns by the context's deadline.
	Send(ctx context.Context, l Letter) error
}

// Outcome of an attempt that did not plainly succeed.
type Outcome string

const (
	Temporary Outcome = "temporary"
	Permanent Outcome = "permanent"
	// Uncertain: the connection broke after the message had been handed over.
	Uncertain Outcome = "uncertain"
)

// Failure says what became of a letter. Its text never carries the address or
// the body.
type Failure struct {
	Outcome Outcome
	Code    int    // the other side's reply code, 0 when there was none
	Text    string // our own words
	cause   error
}

func (f *Failure) Error() string {
	if f.Code != 0 {
		return fmt.Sprintf("%s failure (code %d): %s", f.Outcome, f.Code, f.Text)
	}
	return fmt.Sprintf("%s failure: %s", f.Outcome, f.Text)
}

// Unwrap keeps the cause for errors.Is; it is not for printing.
func (f *Failure) Unwrap() error { return f.cause }

// OutcomeOf returns the outcome of an error from Send; anything unknown is
// uncertain, the careful reading.
func OutcomeOf(err error) Outcome {
	var f *Failure
	if errors.As(err, &f) {
		return f.Outcome
	}
	return Uncertain
}
