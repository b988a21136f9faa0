package planner

import (
	"google.golang.org/protobuf/proto"

	"github.com/visitwright/visitwright/planner/visits"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

var rulesToProto = map[visits.Rule]vw.PolicyRow_Rule{
	visits.Chosen:      vw.PolicyRow_RULE_CHOSEN,
	visits.NotAllowed:  vw.PolicyRow_RULE_GO_ON,
	visits.MayNotBegin: vw.PolicyRow_RULE_STOP,
}

func policyToProto(table []visits.Entry) *vw.PolicyTable {
	out := &vw.PolicyTable{}
	for _, e := range table {
		row := &vw.PolicyRow{Visit: int32(e.Visit), State: stateToProto(e.State), FillingBarred: e.Barred, Stop: e.Stop,
			Rule: rulesToProto[e.Rule], Reached: e.Reached, GoOn: e.GoOn}
		if e.LeastLeft < visits.Never {
			row.LeastMinutes = proto.Int32(int32(e.LeastLeft))
		}
		out.Rows = append(out.Rows, row)
	}
	return out
}

func policyFromProto(t *vw.PolicyTable) []visits.Entry {
	var out []visits.Entry
	for _, row := range t.GetRows() {
		e := visits.Entry{Visit: int(row.GetVisit()), State: stateFromProto(row.GetState()), Barred: row.GetFillingBarred(), Stop: row.GetStop(),
			LeastLeft: visits.Never, Reached: row.GetReached(), GoOn: row.GetGoOn()}
		for rule, is := range rulesToProto {
			if is == row.GetRule() {
				e.Rule = rule
			}
		}
		if row.LeastMinutes != nil {
			e.LeastLeft = int(row.GetLeastMinutes())
		}
		out = append(out, e)
	}
	return out
}
