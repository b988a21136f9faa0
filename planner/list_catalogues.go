package planner

import (
	"context"

	"github.com/visitwright/visitwright/proto/requests"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// ListCatalogues lists the catalogues by id.
func (s *Service) ListCatalogues(ctx context.Context, r *vw.ListCataloguesRequest) (*vw.ListCataloguesResponse, error) {
	caller, page, err := s.list(ctx, r)
	if err != nil {
		return nil, err
	}
	part, next, err := requests.Cut(page, catalogues)
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	local, err := s.practiceCatalogue(ctx, caller)
	if err != nil {
		return nil, err
	}
	out := &vw.ListCataloguesResponse{NextPageToken: s.pager.Token(r, next)}
	for _, c := range part {
		entries, err := c.entries(local)
		if err != nil {
			return nil, err
		}
		out.Catalogues = append(out.Catalogues, &vw.Catalogue{Id: c.id, Title: c.title, EntryCount: int32(len(entries))})
	}
	return out, nil
}
