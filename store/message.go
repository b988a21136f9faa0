package store

import (
	"context"
	"time"
)

// MessageState is where a message stands.
type MessageState string

// The states of a message. Waiting, claimed and sending are on their way; the
// others are final unless a person tries again.
const (
	MessageWaiting   MessageState = "waiting"
	MessageClaimed   MessageState = "claimed"   // a worker has it, nothing has left
	MessageSending   MessageState = "sending"   // kept before the letter leaves: it may have left
	MessageSent      MessageState = "sent"      // the other side took it
	MessageCall      MessageState = "call"      // for the practice's telephone
	MessageUncertain MessageState = "uncertain" // tried as often as is right; it may have arrived
	MessageFailed    MessageState = "failed"    // it did not arrive and is not tried again
	MessageCancelled MessageState = "cancelled" // its cause went away
)

// NewMessage is one message that somebody is owed.
type NewMessage struct {
	// Occasion is the key: planned again, it stays one message.
	Occasion  string
	PatientID string
	CaseID    string // of a follow-up
	FollowKey string
	// Appointment and Start: the message holds only while the appointment
	// begins at that time.
	Appointment          string
	Start                time.Time
	Kind                 string
	Routine              bool
	NotBefore, UselessAt time.Time
}

// Message is one message with what became of it.
type Message struct {
	NewMessage
	ID       string
	Practice string
	State    MessageState
	Attempt  int
	Channel  string
	Problem  string // our own words, never an address
	SendTime time.Time
}

// Standing is what decides, just before a message leaves, whether it still may.
type Standing struct {
	Patient     Patient
	Wishes      ContactWishes
	Agreed      bool // there are wishes at all
	Appointment *Appointment
	CaseClosed  bool
	Died        bool   // a case of the patient was closed so
	FollowState string // empty when the follow-up has ended
	Actor       string
	Target      string // calendar day that the follow-up aims at
	Now         time.Time
}

// Verdict on a message just before it leaves.
type Verdict struct {
	// To is MessageSending, MessageCall, MessageCancelled, MessageFailed or, to
	// wait until NotBefore, MessageWaiting.
	To        MessageState
	Channel   string
	Problem   string
	NotBefore time.Time
	// RoutineDay is the local day that a routine message takes; the database
	// refuses a second one of the same person and day.
	RoutineDay string
	// Lease is how long the claim holds from this step on at least.
	Lease time.Duration
}

// Claim is a message in the hands of an integration that sends it itself.
type Claim struct {
	Message
	LeaseEnd time.Time
}

// ContactWishes is what a patient agreed to receive.
type ContactWishes struct {
	PatientID  string
	Channel    string // email, text or none
	OptedOut   bool
	Language   string
	ConsentDay string // calendar day; may be empty
}

// MessageQuery lists messages, the newest first.
type MessageQuery struct {
	State     MessageState
	PatientID string
	Page      Page
}

// Job is one job that runs by itself, of all replicas together.
type Job struct {
	ID                    string
	Start, Success, Next  time.Time
	Took                  time.Duration
	Failures, InARow, Did int64
}

// Messages is the outbox.
type Messages interface {
	// ClaimMessages gives a worker at most limit messages that are due, until
	// the lease ends. Messages of a lease that ended before it are taken again.
	ClaimMessages(ctx context.Context, worker string, limit int, lease time.Duration) ([]Message, error)
	// BeginSending looks at a claimed message once more and keeps what decide
	// says, in one transaction. ErrWrongState when the lease was lost.
	BeginSending(ctx context.Context, m Message, decide func(Standing) (Verdict, error)) (Verdict, error)
	// EndSending keeps what became of a message. ErrWrongState when the lease
	// was lost: then the result is dropped.
	EndSending(ctx context.Context, m Message, v Verdict) error

	// ClaimForIntegration gives a practice's messages that are due to a client
	// until the lease ends, as long as it has fewer than most in hand. room is
	// false when that limit kept some from it.
	ClaimForIntegration(ctx context.Context, call Call, worker string, most int, lease time.Duration) (list []Claim, room bool, err error)
	// ClaimsInHand are the claims of a client whose lease has not ended.
	ClaimsInHand(ctx context.Context, call Call, worker string) ([]Claim, error)
	// CollectMessage looks at a client's claim once more and keeps what decide
	// says; a verdict that leads nowhere keeps nothing. A claim that was collected
	// before is looked at, and not changed.
	// ErrNotFound; ErrWrongState when the claim was lost.
	CollectMessage(ctx context.Context, call Call, id string, attempt int, decide func(Message, Standing) (Verdict, error)) (Verdict, Claim, error)
	// EndClaim keeps what became of a claim. Said twice, it is said once.
	// ErrNotFound; ErrWrongState when the claim was lost.
	EndClaim(ctx context.Context, call Call, id string, attempt int, decide func(Message, time.Time) Verdict) (Message, error)

	ListMessages(ctx context.Context, call Call, q MessageQuery) ([]Message, string, error)
	// RetryMessage puts a failed, uncertain or call message back. ErrWrongState.
	RetryMessage(ctx context.Context, call Call, id string) (Message, error)
	GetContactWishes(ctx context.Context, call Call, patient string) (ContactWishes, error)
	SetContactWishes(ctx context.Context, call Call, w ContactWishes) (ContactWishes, error)

	// BeginJob reports whether the job is due and this replica may run it; it
	// moves the next run on in the same step, so that of several replicas one does.
	BeginJob(ctx context.Context, id string, every time.Duration) (bool, error)
	EndJob(ctx context.Context, id string, took time.Duration, did int, failed bool) error
	ListJobs(ctx context.Context) ([]Job, error)

	// Retain drops what is past its retention, at most limit rows of each kind.
	Retain(ctx context.Context, limit int) (int, error)
}

var _ Messages = (*Store)(nil)
