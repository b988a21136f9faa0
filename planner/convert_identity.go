package planner

import (
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

func externalFromProto(ids []*vw.ExternalIdentifier) []store.ExternalID {
	var out []store.ExternalID
	for _, id := range ids {
		out = append(out, store.ExternalID{System: id.GetSystem(), Value: id.GetValue()})
	}
	return out
}

func externalToProto(ids []store.ExternalID) []*vw.ExternalIdentifier {
	var out []*vw.ExternalIdentifier
	for _, id := range ids {
		out = append(out, &vw.ExternalIdentifier{System: id.System, Value: id.Value})
	}
	return out
}

var rolesToProto = map[store.Role]vw.Role{
	store.RoleReception:   vw.Role_ROLE_RECEPTION,
	store.RoleNurse:       vw.Role_ROLE_NURSE,
	store.RoleClinician:   vw.Role_ROLE_CLINICIAN,
	store.RoleManager:     vw.Role_ROLE_MANAGER,
	store.RoleIntegration: vw.Role_ROLE_INTEGRATION,
}

// actorToProto is who acts in this call.
func actorToProto(c Caller) *vw.Actor {
	a := &vw.Actor{Subject: c.Actor, Role: rolesToProto[c.Role]}
	if c.Role == store.RoleIntegration {
		a.OnBehalfOf = c.ActingFor
	}
	return a
}
