package desk

import (
	"slices"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// mostToBook is of how many planned cases the opening page asks whether anything
// is booked beyond the days it reads anyway.
const mostToBook = 24

// didNotCome reports whether a patient missed an appointment of today and has
// nothing else in the days that the page looks through.
func (n *nowInputs) didNotCome(a *vw.Appointment) bool {
	return a.GetState() == vw.Appointment_STATE_DID_NOT_ATTEND && a.GetExternal() == nil && a.GetPatient() != "" &&
		n.q.words.daysBetween(n.q.words.Today(), a.GetPlace().GetStart().GetDate()) == 0 &&
		!slices.ContainsFunc(n.upcoming, func(o *vw.Appointment) bool { return o.GetPatient() == a.GetPatient() && live(o) })
}

// unbooked keeps of the open cases those with an accepted plan and nothing
// booked, and drops the rest unless a clinician looks.
func (n *nowInputs) unbooked() error {
	booked := map[string]bool{}
	for _, a := range n.upcoming {
		for _, c := range a.GetCases() {
			// Who did not come has a line already.
			booked[c] = booked[c] || visitOfPlan(a, c) || n.didNotCome(a)
		}
	}
	var planned []*vw.Case
	for _, c := range n.cases {
		if c.GetState() == vw.Case_STATE_PLANNED && !booked[c.GetName()] && len(planned) < mostToBook {
			planned = append(planned, c)
		}
	}
	if !n.q.is(clinicians...) {
		n.cases = nil
	}
	some, err := n.q.anyBooked(planned)
	for i, c := range planned {
		if err == nil && !some[i] {
			n.toBook = append(n.toBook, c)
		}
	}
	return err
}

// bookLines are accepted plans of which nothing is booked.
func (n *nowInputs) bookLines() []*nowLine {
	q := n.q
	var out []*nowLine
	for _, c := range n.toBook {
		out = append(out, &nowLine{rank: rankDays, by: c.GetCreateTime().AsTime(), When: q.words.Date(q.words.DayOf(c.GetCreateTime())), Who: n.who.Patient(c.GetPatient()), Tooth: q.words.Tooth(c.GetTooth()),
			Why: q.t("now.to-book"), Do: q.t("now.do-book"), Link: "/cases/" + lastPart(c.GetName()) + "/book"})
	}
	return out
}
