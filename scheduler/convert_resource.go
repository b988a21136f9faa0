package scheduler

import (
	"fmt"

	"github.com/visitwright/visitwright/proto/fault"
	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

var resourceKinds = map[vw.Resource_Kind]store.ResourceKind{
	vw.Resource_KIND_ROOM: store.KindRoom, vw.Resource_KIND_NURSE: store.KindNurse, vw.Resource_KIND_EQUIPMENT: store.KindEquipment,
}

func kindToProto(k store.ResourceKind) vw.Resource_Kind {
	for to, from := range resourceKinds {
		if from == k {
			return to
		}
	}
	return vw.Resource_KIND_UNSPECIFIED
}

// resourcePaths says where in a request the store's fields stand.
var resourcePaths = fault.Paths{
	"name": "resource.title", "class": "resource.equipment_class", "rooms": "resource.rooms", "kind": "resource.kind", "etag": "resource.etag",
	"preparation_minutes": "resource.preparation_minutes", "clean_up_minutes": "resource.clean_up_minutes",
	"external_ids": "resource.external_identifiers", "external_id": "resource.external_identifiers",
}

func resourceToProto(practice string, r store.Resource) *vw.Resource {
	out := &vw.Resource{
		Kind: kindToProto(r.Kind), Title: r.Name, EquipmentClass: r.Class, Active: r.Active, Etag: r.Etag,
		PreparationMinutes: int32(r.PreparationMinutes), CleanUpMinutes: int32(r.CleanUpMinutes),
		CreateTime: instant(r.CreateTime), UpdateTime: instant(r.UpdateTime),
	}
	if r.ID != "" {
		out.Name = names.Resource(practice, r.ID)
	}
	for _, id := range r.Rooms {
		out.Rooms = append(out.Rooms, names.Resource(practice, id))
	}
	for _, e := range r.ExternalIDs {
		out.ExternalIdentifiers = append(out.ExternalIdentifiers, &vw.ExternalIdentifier{System: e.System, Value: e.Value})
	}
	return out
}

func resourceFromProto(c Caller, r *vw.Resource) (store.Resource, error) {
	out := store.Resource{
		ResourceRef: store.ResourceRef{Kind: resourceKinds[r.GetKind()]}, Name: r.GetTitle(), Class: r.GetEquipmentClass(), Active: r.GetActive(),
		PreparationMinutes: int(r.GetPreparationMinutes()), CleanUpMinutes: int(r.GetCleanUpMinutes()),
	}
	equipment := out.Kind == store.KindEquipment
	switch {
	case equipment && out.Class == "":
		return out, invalidField("resource.equipment_class", `what this is one of, for example "microscope"`)
	case !equipment && out.Class != "":
		return out, invalidField("resource.equipment_class", "nothing, except for equipment")
	case !equipment && len(r.GetRooms()) > 0:
		return out, invalidField("resource.rooms", "nothing, except for equipment")
	case out.Kind != store.KindRoom && out.PreparationMinutes+out.CleanUpMinutes > 0:
		return out, invalidField("resource.preparation_minutes", "0, except for rooms")
	}
	for i, name := range r.GetRooms() {
		n, err := c.One(names.ResourcePattern, fmt.Sprintf("resource.rooms[%d]", i), name, vw.ErrorReason_ERROR_REASON_RESOURCE_NOT_FOUND)
		if err != nil {
			return out, err
		}
		out.Rooms = append(out.Rooms, n.ID)
	}
	for _, e := range r.GetExternalIdentifiers() {
		out.ExternalIDs = append(out.ExternalIDs, store.ExternalID{System: e.GetSystem(), Value: e.GetValue()})
	}
	return out, nil
}

// refOf names a resource or a clinician, "" for the practice itself.
func refName(practice string, r store.ResourceRef) string {
	switch r.Kind {
	case "":
		return names.Practice(practice)
	case store.KindClinician:
		return names.Clinician(practice, r.ID)
	}
	return names.Resource(practice, r.ID)
}
