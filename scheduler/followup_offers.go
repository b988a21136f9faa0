package scheduler

import (
	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/scheduler/civil"
	"github.com/visitwright/visitwright/scheduler/followup"
	"github.com/visitwright/visitwright/store"
)

// offersFor is the request that finds places for a follow-up, ready to send;
// nil where nothing is booked here.
func (f *FollowUps) offersFor(c Caller, x store.FollowUp, now func() (*snapshot, error)) (*vw.FindOffersRequest, error) {
	usual, ok := followup.VisitFor(x.Kind)
	if !ok || x.State == slug(string(followup.Booked)) || x.Actor == slug(string(followup.Referrer)) || x.CaseClosed {
		return nil, nil
	}
	at, err := now()
	if err != nil {
		return nil, err
	}
	visit := &vw.VisitToPlace{}
	booking := x.Kind == slug(string(followup.Booking))
	if booking || x.Kind == slug(string(followup.ReturnVisit)) {
		visit.Parts = nextPart(c, x)
	}
	if len(visit.GetParts()) == 0 {
		visit.Unplanned = &vw.UnplannedVisit{Protocol: usual.Protocol, Minutes: int32(at.worked.upToStep(int(usual.Minutes.Value))), Case: names.Case(c.Practice, x.CaseID)}
	}
	out := &vw.FindOffersRequest{Parent: names.Practice(c.Practice), Patient: names.Patient(c.Practice, x.PatientID), Visits: []*vw.VisitToPlace{visit}, Wishes: &vw.OfferWishes{}}
	if booking {
		return out, nil // its days are those of the plan's own window
	}
	boundsOf(out.GetWishes(), x, at.zone().Date(f.diary.now()))
	return out, nil
}

// boundsOf keeps the places inside the follow-up's own bounds. Once its latest
// day has come or passed, the soonest place is the best one.
func boundsOf(w *vw.OfferWishes, x store.FollowUp, today civil.Date) {
	latest, err := civil.ParseDate(x.Latest)
	if err != nil || !latest.After(today) {
		w.FirstAvailable, w.Urgent = true, true
		return
	}
	w.NotAfter = dateToProto(latest)
	if earliest, err := civil.ParseDate(x.Earliest); err == nil && earliest.After(today) {
		w.NotBefore = dateToProto(earliest)
	}
}

// nextPart is the next visit of the case's newest plan; none when it has none,
// or when the window that the plan knows has passed.
func nextPart(c Caller, x store.FollowUp) []*vw.VisitPart {
	if x.NextVisit == 0 || x.State == slug(string(followup.Overdue)) && x.ProposedRevision != x.Revision {
		return nil
	}
	return []*vw.VisitPart{{Plan: names.Plan(c.Practice, x.CaseID, x.Revision), Visit: int32(x.NextVisit)}}
}
