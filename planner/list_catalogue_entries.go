package planner

import (
	"context"

	"github.com/visitwright/visitwright/planner/protocol"
	"github.com/visitwright/visitwright/proto/fault"
	"github.com/visitwright/visitwright/proto/requests"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// ListCatalogueEntries lists the entries of one catalogue. Figures are those of
// the practice.
func (s *Service) ListCatalogueEntries(ctx context.Context, r *vw.ListCatalogueEntriesRequest) (*vw.ListCatalogueEntriesResponse, error) {
	caller, page, err := s.list(ctx, r)
	if err != nil {
		return nil, err
	}
	found, ok := catalogueByID(r.GetCatalogue())
	if !ok {
		f := fault.NotFound(vw.ErrorReason_ERROR_REASON_CATALOGUE_NOT_FOUND, "")
		f.Text = "no such catalogue: ListCatalogues lists them"
		f.Fields = []fault.Field{{Path: "catalogue", Want: "the id of a catalogue"}}
		return nil, f
	}
	local, err := s.practiceCatalogue(ctx, caller)
	if err != nil {
		return nil, err
	}
	all, err := found.entries(local)
	if err != nil {
		return nil, err
	}
	var entries []*vw.CatalogueEntry
	for i, e := range all {
		e.Catalogue, e.Position = found.id, int32(i+1)
		if r.GetBelongsTo() == "" || e.GetBelongsTo() == r.GetBelongsTo() {
			entries = append(entries, e)
		}
	}
	part, next, err := requests.Cut(page, entries)
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	return &vw.ListCatalogueEntriesResponse{Entries: part, NextPageToken: s.pager.Token(r, next)}, nil
}

// practiceCatalogue is the shipped catalogue with the practice's own figures.
func (s *Service) practiceCatalogue(ctx context.Context, caller Caller) (*protocol.Catalogue, error) {
	settings, err := s.settings(ctx, caller)
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	overrides, err := overridesFromProto(settings)
	if err != nil {
		return nil, err
	}
	local, err := s.shipped.With(overrides)
	return local, s.fault(err, caller, settingsPaths)
}
