package scheduler

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
func (s *Diary) list(ctx context.Context, r listing) (Caller, store.Page, error) {
	caller, err := s.reader(ctx, r.GetParent())
	if err != nil {
		return Caller{}, store.Page{}, err
	}
	cursor, err := s.pager.Cursor(r)
	if err != nil {
		return Caller{}, store.Page{}, s.fault(err, caller, nil)
	}
	return caller, store.Page{Size: int(r.GetPageSize()), After: cursor}, nil
}

// pageOf cuts a page out of a list that is held in memory. The cursor is the
// index of the next entry.
func pageOf[T any](page store.Page, all []T) (part []T, next string, err error) {
	size := page.Size
	switch {
	case size <= 0:
		size = store.DefaultPageSize
	case size > store.MaxPageSize:
		size = store.MaxPageSize
	}
	from := 0
	if page.After != "" {
		if from, err = strconv.Atoi(page.After); err != nil || from < 0 {
			return nil, "", names.ErrPageToken
		}
	}
	from = min(from, len(all))
	to := min(from+size, len(all))
	if to < len(all) {
		next = strconv.Itoa(to)
	}
	return all[from:to], next, nil
}
