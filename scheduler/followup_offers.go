package scheduler

import (
	"context"
	"slices"
	"strings"

	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/scheduler/civil"
	"github.com/visitwright/visitwright/scheduler/followup"
	"github.com/visitwright/visitwright/store"
)

// offersFor is the request that finds places for a follow-up, ready to send;
// nil where nothing is booked here.
func (f *FollowUps) offersFor(ctx context.Context, c Caller, of store.Case, x store.FollowUp) (*vw.FindOffersRequest, error) {
	kind := followup.Kind(strings.ReplaceAll(x.Kind, "-", " "))
	if x.Kind == slug(string(followup.Reassess)) {
		kind = followup.Reassess
	}
	usual, ok := followup.VisitFor(kind)
	if !ok || x.State == slug(string(followup.Booked)) || x.Actor == slug(string(followup.Referrer)) || of.State == store.CaseClosed {
		return nil, nil
	}
	snapshot, err := f.diary.snapshot(ctx, c.reading())
	if err != nil {
		return nil, f.diary.fault(err, c, nil)
	}
	visit := &vw.VisitToPlace{}
	if kind == followup.ReturnVisit || kind == followup.Booking {
		if visit.Parts, err = f.nextPart(ctx, c, of, x); err != nil {
			return nil, err
		}
	}
	if len(visit.GetParts()) == 0 {
		step := snapshot.worked.lengthStep
		visit.Unplanned = &vw.UnplannedVisit{Protocol: usual.Protocol, Minutes: int32((int(usual.Minutes.Value) + step - 1) / step * step), Case: names.Case(c.Practice, of.ID)}
	}
	out := &vw.FindOffersRequest{Parent: names.Practice(c.Practice), Patient: names.Patient(c.Practice, x.PatientID), Visits: []*vw.VisitToPlace{visit}, Wishes: &vw.OfferWishes{}}
	if kind == followup.Booking {
		return out, nil // its days are those of the plan's own window
	}
	today := snapshot.zone().Date(f.diary.now())
	earliest, err1 := civil.ParseDate(x.Earliest)
	latest, err2 := civil.ParseDate(x.Latest)
	if err1 != nil || err2 != nil || today.After(latest) || today == latest {
		// The day has come or passed: the soonest place is the best one.
		out.Wishes.FirstAvailable, out.Wishes.Urgent = true, true
		return out, nil
	}
	out.Wishes.NotAfter = dateToProto(latest)
	if earliest.After(today) {
		out.Wishes.NotBefore = dateToProto(earliest)
	}
	return out, nil
}

// nextPart is the next visit of the case's newest plan; none when it has none,
// or when the window that the plan knows has passed.
func (f *FollowUps) nextPart(ctx context.Context, c Caller, of store.Case, x store.FollowUp) ([]*vw.VisitPart, error) {
	if of.Revision == 0 || x.State == slug(string(followup.Overdue)) && x.ProposedRevision != of.Revision {
		return nil, nil
	}
	number, err := f.store.NextVisit(ctx, c.reading(), of.ID, of.Revision)
	if err != nil {
		return nil, f.diary.fault(err, c, nil)
	}
	plan, accepted, err := f.diary.planned(ctx, c, of.ID, of.Revision)
	if err != nil {
		return nil, err
	}
	option := accepted
	if option == "" {
		option = plan.recommended
	}
	if !slices.ContainsFunc(plan.visits, func(v store.PlannedVisit) bool { return v.Option == option && v.Visit == number }) {
		return nil, nil
	}
	return []*vw.VisitPart{{Plan: names.Plan(c.Practice, of.ID, of.Revision), Option: option, Visit: int32(number)}}, nil
}
