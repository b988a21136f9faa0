package requests

import (
	"strconv"

	"google.golang.org/protobuf/proto"

	"github.com/visitwright/visitwright/proto/names"
	"github.com/visitwright/visitwright/store"
)

// Listing is what every List request below a practice brings.
type Listing interface {
	proto.Message
	GetParent() string
	GetPageSize() int32
	GetPageToken() string
}

// Page is the page that a List request asks for; names.ErrPageToken.
func Page(p *names.Pager, r Listing) (store.Page, error) {
	cursor, err := p.Cursor(r)
	return store.Page{Size: int(r.GetPageSize()), After: cursor}, err
}

// Cut cuts a page out of a list that is held in memory. The cursor is the index
// of the next entry; names.ErrPageToken.
func Cut[T any](page store.Page, all []T) (part []T, next string, err error) {
	from := 0
	if page.After != "" {
		if from, err = strconv.Atoi(page.After); err != nil || from < 0 {
			return nil, "", names.ErrPageToken
		}
	}
	from = min(from, len(all))
	to := min(from+page.Most(), len(all))
	if to < len(all) {
		next = strconv.Itoa(to)
	}
	return all[from:to], next, nil
}
