// Package scheduler is the gRPC DiaryService: who and what can be booked,
// offers, and bookings that cannot collide.
//
// A handler translates, checks rights and calls; the pure packages below this
// one decide, and the store keeps, in one transaction each. There is one file
// for each rpc or small group of them, and one for the conversion of each
// message.
package scheduler

import (
	"context"
	"errors"
	"time"

	"google.golang.org/grpc"

	"github.com/visitwright/visitwright/planner/protocol"
	"github.com/visitwright/visitwright/proto/names"
	"github.com/visitwright/visitwright/proto/requests"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/scheduler/civil"
	"github.com/visitwright/visitwright/store"
)

// Store is what the diary asks of the store.
type Store interface {
	store.Diary
	store.ShortNotice
	store.CalendarFeeds

	GetPractice(ctx context.Context, call store.Call) (store.Practice, error)
	UpdatePractice(ctx context.Context, call store.Call, change store.PracticeUpdate) (store.Practice, error)
	GetPatient(ctx context.Context, call store.Call, id string) (store.Patient, error)
	GetCase(ctx context.Context, call store.Call, id string) (store.Case, error)
	Conflicts(ctx context.Context, call store.Call, ids []string) (map[string][]string, error)
	GetPlanRevision(ctx context.Context, call store.Call, caseID string, revision int) (store.PlanRevision, error)
	ListChairVisits(ctx context.Context, call store.Call, caseID string, page store.Page) ([]store.ChairVisit, string, error)
}

// DiaryConfig is what the diary's service is built from. What has no default
// is required.
type DiaryConfig struct {
	Store Store
	// Caller tells who calls: what the server's chain found out and put into
	// the context. ok is false when nobody did, which is a fault of the wiring.
	Caller func(context.Context) (caller requests.Caller, ok bool)
	// PageKey authenticates page, offer and resume tokens: at least 32 bytes,
	// the same on every replica.
	PageKey []byte
	// Now is the clock by which "today" and "not in the past" are judged. What
	// is kept, and when a provisional booking ends, go by the store's clock.
	Now func() time.Time
	// Zones is the zone database; nil means the one that is built in.
	Zones *civil.Database

	// Joint computes one visit of several teeth: one start, one anaesthetic. ok
	// is false when they cannot be planned together. nil, and where it is not
	// ok, each tooth keeps its own start: the visit gets the sum of the lengths.
	Joint func(ctx context.Context, parts []*vw.VisitPart) (visit *vw.SharedVisit, ok bool, err error)

	// Heartbeat is the longest silence of a watch stream; 0 means
	// DefaultHeartbeat. A watch also looks at the table so often by itself, in
	// case a wake-up got lost.
	Heartbeat time.Duration
	// Stopping ends watch streams when it is closed, so that their clients go
	// on with another replica; nil means never.
	Stopping <-chan struct{}
}

// DefaultHeartbeat keeps a stream well inside the 30 seconds of the contract.
const DefaultHeartbeat = 10 * time.Second

// Caller is who calls.
type Caller struct{ requests.Caller }

// Diary implements DiaryService.
type Diary struct {
	vw.UnsafeDiaryServiceServer // a method of the contract without a handler does not compile

	store     Store
	caller    func(context.Context) (requests.Caller, bool)
	pager     *names.Pager
	seals     sealer
	now       func() time.Time
	zones     *civil.Database
	joint     func(context.Context, []*vw.VisitPart) (*vw.SharedVisit, bool, error)
	heartbeat time.Duration
	stopping  <-chan struct{}

	protocols []string // every protocol that ships, by id
	figures   figures
	diaries   diaries
	plans     planCache
}

var _ vw.DiaryServiceServer = (*Diary)(nil)

// NewDiary builds the service. It fails when embedded data is broken or
// something is missing from the configuration.
func NewDiary(c DiaryConfig) (*Diary, error) {
	if c.Store == nil || c.Caller == nil || c.Now == nil {
		return nil, errors.New("scheduler: store, caller and clock are all needed")
	}
	pager, err := names.NewPager(c.PageKey)
	if err != nil {
		return nil, err
	}
	figures, err := shippedFigures()
	if err != nil {
		return nil, err
	}
	shipped, err := protocol.Shipped()
	if err != nil {
		return nil, err
	}
	d := &Diary{store: c.Store, caller: c.Caller, pager: pager, seals: newSealer(c.PageKey), now: c.Now, zones: c.Zones, joint: c.Joint,
		heartbeat: c.Heartbeat, stopping: c.Stopping, figures: figures}
	for _, p := range shipped.Protocols() {
		d.protocols = append(d.protocols, p.ID)
	}
	if d.zones == nil {
		d.zones = civil.Embedded()
	}
	if d.heartbeat <= 0 {
		d.heartbeat = DefaultHeartbeat
	}
	return d, nil
}

// Register adds the service to a server.
func (s *Diary) Register(r grpc.ServiceRegistrar) { vw.RegisterDiaryServiceServer(r, s) }
