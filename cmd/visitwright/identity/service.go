// Package identity is the gRPC IdentityService: people who sign in, and their
// sessions.
//
// It stands beside the server and not in a room of the trade: it knows who may
// enter, and nothing of what is done inside.
package identity

import (
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"errors"
	"fmt"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"

	"github.com/visitwright/visitwright/proto/fault"
	"github.com/visitwright/visitwright/proto/names"
	"github.com/visitwright/visitwright/proto/requests"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
	"github.com/visitwright/visitwright/store/access"
)

// Defaults of a session.
const (
	// DefaultLifetime is a working day with its ends.
	DefaultLifetime = 12 * time.Hour
	// DefaultIdle is how long a screen may stand alone.
	DefaultIdle = 15 * time.Minute
	// ShortestIdle leaves room for the minute within which use is noted.
	ShortestIdle = 2 * time.Minute
	// HashesAtOnce bounds the memory that passphrases take: 64 MiB each.
	HashesAtOnce = 2
)

// Config is what the service is built from. Store, PageKey and Now are required.
type Config struct {
	Store store.People
	// PageKey authenticates page tokens: at least 32 bytes, the same on every
	// replica.
	PageKey []byte
	// Now is told to whoever asks what time it is here; sessions go by the
	// store's clock.
	Now func() time.Time
	// Shown reads the settings by which a practice shows days and weeks; nil
	// leaves them out.
	Shown func(store.Practice) (*vw.PracticeSettings, error)
	// Lifetime and Idle of the sessions that begin here; 0 means the defaults.
	Lifetime, Idle time.Duration
	// Work is what one passphrase costs; the zero value means access.UsualWork.
	Work access.Work
}

// Service implements IdentityService.
type Service struct {
	vw.UnsafeIdentityServiceServer // a method of the contract without a handler does not compile

	store          store.People
	pager          *names.Pager
	key            []byte
	now            func() time.Time
	lifetime, idle time.Duration
	shown          func(store.Practice) (*vw.PracticeSettings, error)
	hasher         *access.Hasher
}

var _ vw.IdentityServiceServer = (*Service)(nil)

// New builds the service. It fails when something is missing or no session
// could live.
func New(c Config) (*Service, error) {
	if c.Store == nil || c.Now == nil {
		return nil, errors.New("identity: store and clock are both needed")
	}
	pager, err := names.NewPager(c.PageKey)
	if err != nil {
		return nil, err
	}
	if c.Lifetime == 0 {
		c.Lifetime = DefaultLifetime
	}
	if c.Idle == 0 {
		c.Idle = DefaultIdle
	}
	if c.Work == (access.Work{}) {
		c.Work = access.UsualWork
	}
	if c.Idle < ShortestIdle || c.Lifetime < c.Idle {
		return nil, errors.New("a session's idle limit is at least 2 minutes and at most its lifetime")
	}
	return &Service{store: c.Store, pager: pager, key: c.PageKey, now: c.Now, shown: c.Shown, lifetime: c.Lifetime, idle: c.Idle,
		hasher: access.NewHasher(c.Work, HashesAtOnce)}, nil
}

// Register adds the service to a server.
func (s *Service) Register(r grpc.ServiceRegistrar) { vw.RegisterIdentityServiceServer(r, s) }

// caller is who calls: the identity that the server found out, and the store's
// account of the call.
type caller struct {
	access.Identity
	call store.Call
}

// who returns the caller; one without a practice when the method needs no token.
func who(ctx context.Context) caller {
	id, _ := access.From(ctx)
	method, _ := grpc.Method(ctx)
	return caller{Identity: id, call: id.Call(method)}
}

func known(ctx context.Context) (caller, error) {
	c := who(ctx)
	if c.Practice == "" {
		return caller{}, fmt.Errorf("identity: %w", requests.ErrNoCaller)
	}
	return c, nil
}

// writing is what every request that changes something brings.
type writing interface {
	requests.Writing
	GetValidateOnly() bool
}

// writer returns the caller of a request that changes something, with the
// request's id and content. The content is hashed with a key, since it may hold
// a passphrase: what is kept of it must not help to guess one.
func (s *Service) writer(ctx context.Context, r writing) (caller, error) {
	c, err := known(ctx)
	if err != nil {
		return caller{}, err
	}
	if r.GetOnBehalfOf() != "" {
		return caller{}, fault.Denied(vw.ErrorReason_ERROR_REASON_ON_BEHALF_OF_NOT_ALLOWED, "on_behalf_of is for integrations: leave it empty")
	}
	if r.GetRequestId() == "" || r.GetValidateOnly() {
		return c, nil
	}
	content, err := proto.MarshalOptions{Deterministic: true}.Marshal(r)
	if err != nil {
		return caller{}, err
	}
	mac := hmac.New(sha256.New, s.key)
	mac.Write([]byte("identity request\x00"))
	mac.Write(content)
	c.call.RequestID, c.call.RequestHash = r.GetRequestId(), [32]byte(mac.Sum(nil))
	return c, nil
}

// practice refuses the name of another practice as if it did not exist.
func (c caller) practice(name string) error {
	_, err := c.one(names.PracticePattern, "parent", name, vw.ErrorReason_ERROR_REASON_PRACTICE_NOT_FOUND)
	return err
}

func (c caller) one(pattern, field, name string, missing vw.ErrorReason) (string, error) {
	n, err := requests.Caller{Call: c.call}.One(pattern, field, name, missing)
	return n.ID, err
}

// paths says where in a request the store's fields stand.
var paths = fault.Paths{"sign_in_name": "person.sign_in_name", "display_name": "person.display_name", "role": "person.role",
	"clinician": "person.clinician", "etag": "person.etag"}

// told turns what the layers below say into what the client is told; what it
// does not know stays as it is, and the server answers INTERNAL.
func told(err error, practice string) error {
	if errors.Is(err, names.ErrPageToken) {
		return fault.Invalid(vw.ErrorReason_ERROR_REASON_INVALID_PAGE_TOKEN, "page_token", "next_page_token of the page before, with the same request").Because(err)
	}
	return fault.FromStore(err, practice, paths)
}

// tooMany refuses an attempt before anything of it was looked at.
func tooMany(wait time.Duration) error {
	return &fault.Fault{Code: codes.ResourceExhausted, Reason: vw.ErrorReason_ERROR_REASON_TOO_MANY_ATTEMPTS,
		Text: "too many attempts to sign in; wait as long as the details say", RetryAfter: (wait + time.Second - 1).Truncate(time.Second)}
}
