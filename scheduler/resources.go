package scheduler

import (
	"context"
	"slices"
	"strings"

	"github.com/visitwright/visitwright/proto/fault"
	"github.com/visitwright/visitwright/proto/names"
	"github.com/visitwright/visitwright/proto/requests"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// CreateResource makes a room, a nurse or a unit of equipment, which is in use.
func (s *Diary) CreateResource(ctx context.Context, r *vw.CreateResourceRequest) (*vw.Resource, error) {
	caller, err := s.writer(ctx, r)
	if err == nil {
		err = caller.Within("parent", r.GetParent())
	}
	if err != nil {
		return nil, err
	}
	made, err := resourceFromProto(caller, r.GetResource())
	if err != nil {
		return nil, err
	}
	made.Active = true
	if r.GetValidateOnly() {
		return resourceToProto(caller.Practice, made), nil
	}
	kept, err := s.store.PutResource(ctx, caller.Call, made)
	if err != nil {
		return nil, s.fault(err, caller, resourcePaths)
	}
	return resourceToProto(caller.Practice, kept), nil
}

// resource finds one resource of the setup.
func (s *Diary) resource(ctx context.Context, c Caller, field, name string) (store.Resource, error) {
	n, err := c.One(names.ResourcePattern, field, name, vw.ErrorReason_ERROR_REASON_RESOURCE_NOT_FOUND)
	if err != nil {
		return store.Resource{}, err
	}
	setup, err := s.store.ReadSetup(ctx, c.Reading())
	if err != nil {
		return store.Resource{}, s.fault(err, c, nil)
	}
	i := slices.IndexFunc(setup.Resources, func(r store.Resource) bool { return r.ID == n.ID })
	if i < 0 {
		return store.Resource{}, fault.NotFound(vw.ErrorReason_ERROR_REASON_RESOURCE_NOT_FOUND, name)
	}
	return setup.Resources[i], nil
}

// GetResource reads a resource.
func (s *Diary) GetResource(ctx context.Context, r *vw.GetResourceRequest) (*vw.Resource, error) {
	caller, err := s.who(ctx)
	if err != nil {
		return nil, err
	}
	found, err := s.resource(ctx, caller, "name", r.GetName())
	if err != nil {
		return nil, err
	}
	return resourceToProto(caller.Practice, found), nil
}

// ListResources lists resources by kind and title.
func (s *Diary) ListResources(ctx context.Context, r *vw.ListResourcesRequest) (*vw.ListResourcesResponse, error) {
	caller, page, err := s.list(ctx, r)
	if err != nil {
		return nil, err
	}
	setup, err := s.store.ReadSetup(ctx, caller.Call)
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	order := []store.ResourceKind{store.KindRoom, store.KindNurse, store.KindEquipment}
	all := slices.DeleteFunc(slices.Clone(setup.Resources), func(x store.Resource) bool {
		return r.GetKind() != vw.Resource_KIND_UNSPECIFIED && x.Kind != resourceKinds[r.GetKind()]
	})
	slices.SortStableFunc(all, func(a, b store.Resource) int {
		if d := slices.Index(order, a.Kind) - slices.Index(order, b.Kind); d != 0 {
			return d
		}
		return strings.Compare(a.Name, b.Name)
	})
	part, next, err := requests.Cut(page, all)
	if err != nil {
		return nil, s.fault(err, caller, nil)
	}
	out := &vw.ListResourcesResponse{NextPageToken: s.pager.Token(r, next)}
	for _, x := range part {
		out.Resources = append(out.Resources, resourceToProto(caller.Practice, x))
	}
	return out, nil
}

// UpdateResource changes a resource.
func (s *Diary) UpdateResource(ctx context.Context, r *vw.UpdateResourceRequest) (*vw.Resource, error) {
	caller, err := s.writer(ctx, r)
	if err != nil {
		return nil, err
	}
	want := r.GetResource()
	if err := etagNeeded("resource.etag", want.GetEtag()); err != nil {
		return nil, err
	}
	kept, err := s.resource(ctx, caller, "resource.name", want.GetName())
	if err != nil {
		return nil, err
	}
	next := resourceToProto(caller.Practice, kept)
	if err := overlay(next, want, r.GetUpdateMask(), "title", "equipment_class", "rooms", "preparation_minutes", "clean_up_minutes", "active", "external_identifiers"); err != nil {
		return nil, err
	}
	if r.GetValidateOnly() && kept.Etag != want.GetEtag() {
		return nil, staleEtag(want.GetName())
	}
	change, err := resourceFromProto(caller, next)
	if err != nil || r.GetValidateOnly() {
		return next, err
	}
	change.ResourceRef, change.Etag, change.Document = kept.ResourceRef, want.GetEtag(), kept.Document
	changed, err := s.store.PutResource(ctx, caller.Call, change)
	if err != nil {
		return nil, s.fault(err, caller, resourcePaths)
	}
	return resourceToProto(caller.Practice, changed), nil
}
