package scheduler

import (
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"crypto/subtle"
	"encoding/base64"
	"errors"
	"slices"
	"strings"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"github.com/visitwright/visitwright/proto/fault"
	"github.com/visitwright/visitwright/proto/names"
	"github.com/visitwright/visitwright/proto/requests"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/scheduler/ical"
	"github.com/visitwright/visitwright/store"
)

const (
	feedPath   = "/calendars/" // below the address where feeds are served
	feedPrefix = "vwf1"        // says what it is to a scanner that looks for leaked secrets
	feedSuffix = ".ics"
)

// CreateCalendarFeed makes a calendar feed.
func (s *Diary) CreateCalendarFeed(ctx context.Context, r *vw.CreateCalendarFeedRequest) (*vw.CalendarFeed, error) {
	caller, err := s.writer(ctx, r)
	if err == nil {
		err = caller.Within("parent", r.GetParent())
	}
	if err != nil {
		return nil, err
	}
	owner, err := s.ownerNow(ctx, caller, "feed.owner", r.GetFeed().GetOwner())
	if err != nil {
		return nil, err
	}
	f := store.CalendarFeed{Owner: owner, Label: r.GetFeed().GetLabel()}
	if !caller.ownFeed(f) {
		return nil, fault.Denied(vw.ErrorReason_ERROR_REASON_ROLE_NOT_ALLOWED, "a clinician makes feeds of their own calendar; a manager makes all others")
	}
	if r.GetValidateOnly() {
		out := proto.CloneOf(r.GetFeed())
		out.Name, out.CreateTime, out.SecretPath = "", nil, ""
		return out, nil
	}
	kept, err := s.store.CreateCalendarFeed(ctx, caller.Call, f, func(id string) [sha256.Size]byte {
		return sha256.Sum256([]byte(s.seals.feed(caller.Practice, id)))
	})
	if err != nil {
		return nil, s.fault(err, caller, fault.Paths{"label": "feed.label", "owner": "feed.owner"})
	}
	out := feedToProto(caller.Practice, kept)
	out.SecretPath = feedPath + strings.Join([]string{feedPrefix, caller.Practice, kept.ID, s.seals.feed(caller.Practice, kept.ID)}, ".") + feedSuffix
	return out, nil
}

// ListCalendarFeeds lists feeds, without their secrets.
func (s *Diary) ListCalendarFeeds(ctx context.Context, r *vw.ListCalendarFeedsRequest) (*vw.ListCalendarFeedsResponse, error) {
	caller, page, err := s.list(ctx, r)
	if err != nil {
		return nil, err
	}
	all, err := s.store.ListCalendarFeeds(ctx, caller.Call)
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	all = slices.DeleteFunc(all, func(f store.CalendarFeed) bool { return !caller.ownFeed(f) })
	part, next, err := requests.Cut(page, all)
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	out := &vw.ListCalendarFeedsResponse{NextPageToken: s.pager.Token(r, next)}
	for _, f := range part {
		out.Feeds = append(out.Feeds, feedToProto(caller.Practice, f))
	}
	return out, nil
}

// DeleteCalendarFeed ends a feed at once.
func (s *Diary) DeleteCalendarFeed(ctx context.Context, r *vw.DeleteCalendarFeedRequest) (*vw.DeleteCalendarFeedResponse, error) {
	caller, err := s.writer(ctx, r)
	if err != nil {
		return nil, err
	}
	n, err := caller.One(names.CalendarFeedPattern, "name", r.GetName(), vw.ErrorReason_ERROR_REASON_CALENDAR_FEED_NOT_FOUND)
	if err != nil {
		return nil, err
	}
	if caller.Clinician != "" || r.GetValidateOnly() {
		f, err := s.store.FindCalendarFeed(ctx, caller.Practice, n.ID)
		if err == nil && !caller.ownFeed(f) {
			return nil, fault.NotFound(vw.ErrorReason_ERROR_REASON_CALENDAR_FEED_NOT_FOUND, r.GetName())
		}
		// A repeated request finds the feed gone and still gets its first answer.
		if err != nil && (r.GetValidateOnly() || !errors.Is(err, store.ErrNotFound)) {
			return nil, s.fault(err, caller, nil)
		}
	}
	if r.GetValidateOnly() {
		return &vw.DeleteCalendarFeedResponse{}, nil
	}
	if err := s.store.DeleteCalendarFeed(ctx, caller.Call, n.ID); err != nil {
		return nil, s.fault(err, caller, nil)
	}
	return &vw.DeleteCalendarFeedResponse{}, nil
}

// ReadCalendarFeed reads a feed for whoever knows its secret. Its reads stand
// in the practice's audit trail under the feed's name.
func (s *Diary) ReadCalendarFeed(ctx context.Context, r *vw.ReadCalendarFeedRequest) (*vw.ExportCalendarResponse, error) {
	caller, f, err := s.feedOf(ctx, r.GetSecret())
	if err != nil {
		return nil, err
	}
	x, err := s.current(ctx, caller)
	if err != nil {
		return nil, err
	}
	c := ical.Calendar{Product: calendarProduct}
	list, err := s.feed(ctx, caller, f.Owner, s.feedDays(x), x, &c)
	if err != nil {
		return nil, err
	}
	if c.Events, err = s.events(ctx, caller, list, x); err != nil {
		return nil, err
	}
	return encoded(c)
}

// feedOf finds the feed that a secret opens. Whatever is wrong with the secret
// has the same answer, in about the same time.
func (s *Diary) feedOf(ctx context.Context, text string) (Caller, store.CalendarFeed, error) {
	// Nothing of the text is repeated: it may be nearly right.
	unknown := &fault.Fault{Code: codes.NotFound, Reason: vw.ErrorReason_ERROR_REASON_CALENDAR_FEED_NOT_FOUND,
		Text: "no such calendar feed: it was deleted, or its address is not complete"}
	part := strings.Split(strings.TrimSuffix(text, feedSuffix), ".")
	if len(part) != 4 || part[0] != feedPrefix || !names.ValidID(part[1]) || !names.ValidID(part[2]) {
		return Caller{}, store.CalendarFeed{}, unknown
	}
	f, err := s.store.FindCalendarFeed(ctx, part[1], part[2])
	missing := errors.Is(err, store.ErrNotFound) || errors.Is(err, store.ErrInvalid)
	if err != nil && !missing {
		return Caller{}, store.CalendarFeed{}, s.fault(err, Caller{}, nil)
	}
	shown := sha256.Sum256([]byte(part[3]))
	if subtle.ConstantTimeCompare(f.Hash[:], shown[:]) != 1 || missing {
		return Caller{}, store.CalendarFeed{}, unknown
	}
	method, _ := grpc.Method(ctx)
	return Caller{requests.Caller{Call: store.Call{Practice: part[1], Actor: "calendarFeeds/" + f.ID, Method: method}}}, f, nil
}

// ownFeed reports whether a feed is the caller's business: a manager's all,
// a clinician's their own. A clinician's token that stands for no one clinician
// belongs to somebody who does everything alone.
func (c Caller) ownFeed(f store.CalendarFeed) bool {
	return c.Clinician == "" || f.Owner == store.ResourceRef{Kind: store.KindClinician, ID: c.Clinician}
}

// feed is the secret of a feed. It follows from the key, so that a repeated
// request is answered with it again and the database holds no more than its
// hash.
func (k sealer) feed(practice, id string) string {
	h := hmac.New(sha256.New, k.key)
	for _, part := range []string{"diary calendar feed 1", practice, id} {
		h.Write([]byte(part))
		h.Write([]byte{0})
	}
	return base64.RawURLEncoding.EncodeToString(h.Sum(nil))
}

func feedToProto(practice string, f store.CalendarFeed) *vw.CalendarFeed {
	out := &vw.CalendarFeed{Name: names.CalendarFeed(practice, f.ID), Label: f.Label, CreateTime: timestamppb.New(f.CreateTime)}
	if f.Owner.Kind == store.KindClinician {
		out.Owner = names.Clinician(practice, f.Owner.ID)
	} else {
		out.Owner = names.Resource(practice, f.Owner.ID)
	}
	return out
}
