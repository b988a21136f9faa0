package planner

import (
	"cmp"
	"strings"

	returns "github.com/visitwright/visitwright/planner/window"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// windowToProto shows a return window; nil when no clock runs.
func windowToProto(w *returns.Window, anchor, stop string) *vw.ReturnWindow {
	if w == nil || !w.Needed {
		return nil
	}
	out := &vw.ReturnWindow{
		Anchor: anchor, FromStop: stop, Exception: cmp.Or(w.Waived, w.Exception), Overdue: w.Overdue,
		Earliest: boundToProto(*w, returns.Earliest, w.Earliest), Target: boundToProto(*w, returns.Target, w.Target), Latest: boundToProto(*w, returns.Latest, w.Latest),
	}
	if w.Conflict != nil {
		out.Empty, out.Conflict = true, w.Conflict.Text
	}
	for _, a := range w.Past {
		out.PastActions = append(out.PastActions, &vw.PastAction{AfterDays: int32(a.AfterDay), Id: a.ID, Text: a.Text, Longer: a.Longer, Provenance: markToProto(a.Mark)})
	}
	if w.Closes != nil && w.Closes.Passing != "" {
		out.PastLatest = strings.TrimSuffix(w.Closes.Passing, ".") + "."
	}
	return out
}

// boundToProto lists the reasons of one bound, the deciding one first.
func boundToProto(w returns.Window, side returns.Side, days int) *vw.WindowBound {
	out := &vw.WindowBound{Days: int32(days)}
	for _, b := range w.Sources(side) {
		out.Reasons = append(out.Reasons, &vw.Reason{Rule: string(b.From), Stance: vw.Reason_STANCE_NEUTRAL, Text: b.Reason, Provenance: markToProto(b.Mark)})
	}
	return out
}
