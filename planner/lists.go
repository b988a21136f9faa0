package planner

import (
	"context"
	"strconv"

	"google.golang.org/protobuf/proto"

	"github.com/visitwright/visitwright/proto/names"
	"github.com/visitwright/visitwright/store"
)

// listing is what every List request below a practice brings.
type listing interface {
	proto.Message
	GetParent() string
	GetPageSize() int32
	GetPageToken() string
}

// list returns the caller and the page of a List request whose parent is the
// practice.
func (s *Service) list(ctx context.Context, r listing) (Caller, store.Page, error) {
	caller, err := s.who(ctx)
	if err != nil {
		return Caller{}, store.Page{}, err
	}
	if err := caller.practice("parent", r.GetParent()); err != nil {
		return Caller{}, store.Page{}, err
	}
	page, err := s.page(r)
	return caller, page, s.fault(err, caller, nil)
}

func (s *Service) page(r listing) (store.Page, error) {
	cursor, err := s.pager.Cursor(r)
	return store.Page{Size: int(r.GetPageSize()), After: cursor}, err
}

// pageOf cuts a page out of a list that is held in memory. The cursor is the
// index of the next entry.
func pageOf(page store.Page, length int) (from, to int, next string, err error) {
	size := page.Size
	switch {
	case size <= 0:
		size = store.DefaultPageSize
	case size > store.MaxPageSize:
		size = store.MaxPageSize
	}
	if page.After != "" {
		if from, err = strconv.Atoi(page.After); err != nil || from < 0 {
			return 0, 0, "", names.ErrPageToken
		}
	}
	from = min(from, length)
	to = min(from+size, length)
	if to < length {
		next = strconv.Itoa(to)
	}
	return from, to, next, nil
}
