package planner

import (
	"strings"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

func auditToProto(e store.AuditEntry) *vw.AuditEntry {
	return &vw.AuditEntry{
		Sequence: e.Seq, EntryTime: instant(e.Time), Actor: &vw.Actor{Subject: e.Actor, Role: rolesToProto[e.Role], OnBehalfOf: e.ActingFor},
		Method: e.Method, Resource: strings.Replace(e.Resource, "/revisions/", "/plans/", 1), RequestId: e.RequestID, Correlation: e.Correlation,
		Outcome: e.Outcome, Fields: e.Fields, Times: int32(e.Times), Hash: e.Hash[:], PreviousHash: e.PrevHash[:],
	}
}
