package store

import (
	"errors"
	"fmt"
	"strings"
	"time"
)

// The sentinels. Test with errors.Is; no error of this package carries text
// from a database driver or data about a patient.
var (
	// ErrNotFound: no such record in this practice.
	ErrNotFound = errors.New("not found")
	// ErrStaleEtag: somebody else changed the record since it was read.
	ErrStaleEtag = errors.New("changed by somebody else since it was read")
	// ErrRequestIDReused: the request id was used for another request.
	ErrRequestIDReused = errors.New("request id was used for another request")
	// ErrExists: a record with this name, reference or external id exists.
	ErrExists = errors.New("exists already")
	// ErrWrongState: the record's state does not allow this.
	ErrWrongState = errors.New("not possible in this state")
	// ErrInvalid: a value is outside what the store can keep.
	ErrInvalid = errors.New("invalid")
	// ErrTaken: a resource is already in use at that time.
	ErrTaken = errors.New("already taken")
	// ErrSetupChanged: hours, absences or resources changed since a place was
	// checked by them; nothing was kept.
	ErrSetupChanged = errors.New("hours, absences or resources changed meanwhile")
	// ErrExpired: a provisional booking or a resume token is past its time.
	ErrExpired = errors.New("expired")
	// ErrBusy: the database could not finish in time or gave way to others;
	// nothing was kept and the same call may be tried again.
	ErrBusy = errors.New("the database is busy, try again")
	// ErrUnavailable: the database cannot be reached. Whether a write was kept
	// is unknown; a retry with the same request id finds out.
	ErrUnavailable = errors.New("the database cannot be reached")
	// ErrSealed: a sealed value cannot be opened with the keys at hand.
	ErrSealed = errors.New("cannot be opened with the keys in the key file")
	// ErrInternal hides everything unexpected. Its cause is for the log of the
	// store, not for a client.
	ErrInternal = errors.New("internal error of the store")
)

// Problem is a sentinel with the place where it arose. It unwraps to its Kind.
type Problem struct {
	Kind     error  // one of the sentinels above
	Resource string // kind and id, for example "cases/01jd..."; never a value
	Field    string // the field concerned, in snake case; may be empty
	Want     string // what would be right; may be empty
	cause    error
}

func (p *Problem) Error() string {
	text := p.Kind.Error()
	if p.Field != "" {
		text = p.Field + ": " + text
	}
	if p.Resource != "" {
		text = p.Resource + ": " + text
	}
	if p.Want != "" {
		text += ": " + p.Want
	}
	return text
}

func (p *Problem) Unwrap() error { return p.Kind }

// Cause returns what the driver said, for the store's own log. It may hold
// values and must not reach a client.
func Cause(err error) error {
	var p *Problem
	if errors.As(err, &p) {
		return p.cause
	}
	return nil
}

// Taken says which resource refused a booking. It unwraps to ErrTaken.
type Taken struct {
	Kind     ResourceKind // room, clinician, nurse, patient, equipment; empty when the database did not say
	Resource string       // id of the resource; empty when the database did not say
	Visit    int          // which visit of the booking, from 1; 0 when unknown
	Start    time.Time    // start of the refused span; zero when unknown
	End      time.Time
}

func (t *Taken) Error() string {
	if t.Kind == "" {
		return ErrTaken.Error()
	}
	return fmt.Sprintf("%s %s: %s", t.Kind, t.Resource, ErrTaken)
}

func (t *Taken) Unwrap() error { return ErrTaken }

// notFound names the record, but never repeats what cannot be an id: it may be
// a name that somebody typed.
func notFound(resource string) error {
	kind, id, _ := strings.Cut(resource, "/")
	if !validID(id) {
		resource = kind
	}
	return &Problem{Kind: ErrNotFound, Resource: resource}
}

func invalid(field, want string) error { return &Problem{Kind: ErrInvalid, Field: field, Want: want} }

func wrongState(resource, want string) error {
	return &Problem{Kind: ErrWrongState, Resource: resource, Want: want}
}

func stale(resource string) error {
	return &Problem{Kind: ErrStaleEtag, Resource: resource, Field: "etag", Want: "read it again and repeat the change"}
}

func isExists(err error) bool { return errors.Is(err, ErrExists) }

// exists names the field when err says that something is there already.
func exists(err error, resource, field string) error {
	if errors.Is(err, ErrExists) {
		return &Problem{Kind: ErrExists, Resource: resource, Field: field, Want: "one that is not in use", cause: err}
	}
	return err
}
