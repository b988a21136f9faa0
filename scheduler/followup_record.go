package scheduler

import (
	"context"
	"errors"
	"slices"
	"strconv"
	"strings"

	"google.golang.org/genproto/googleapis/type/date"

	"github.com/visitwright/visitwright/planner/protocol"
	"github.com/visitwright/visitwright/planner/recall"
	"github.com/visitwright/visitwright/proto/fault"
	"github.com/visitwright/visitwright/proto/names"
	"github.com/visitwright/visitwright/proto/requests"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/scheduler/civil"
	"github.com/visitwright/visitwright/scheduler/followup"
	"github.com/visitwright/visitwright/store"
)

func plain(n int) string { return strconv.Itoa(n) }

// record adds one event to a case. make is called with the case as it stands
// and may refuse.
func (f *FollowUps) record(ctx context.Context, r requests.Writing, name string, preview bool, make func(store.Care, followup.Case, surroundings) (followup.Event, error)) (noted, error) {
	caller, err := f.diary.writer(ctx, r)
	if err != nil {
		return noted{}, err
	}
	n, err := caller.One(names.CasePattern, "case", name, vw.ErrorReason_ERROR_REASON_CASE_NOT_FOUND)
	if err != nil {
		return noted{}, err
	}
	at, err := f.surroundings(ctx, caller.Practice)
	if err != nil {
		return noted{}, f.diary.fault(err, caller, nil)
	}
	var refused error
	decide := func(c store.Care) (store.CareResult, error) {
		if c.Case.State == store.CaseClosed {
			return store.CareResult{}, fault.State(vw.ErrorReason_ERROR_REASON_CASE_CLOSED, name, "the case is closed: nothing is recorded for it any more")
		}
		before, err := f.stateOf(c, at)
		if err != nil {
			return store.CareResult{}, err
		}
		e, err := make(c, before, at)
		if err != nil {
			return store.CareResult{}, err
		}
		if e.On.After(at.zone.Date(c.Now)) {
			return store.CareResult{}, invalidField("date", "a day that is not ahead")
		}
		out, err := f.look(c, at, &e)
		out.Keep = !preview
		return out, err
	}
	made, err := f.store.LookAtCare(ctx, caller.Call, n.ID, func(c store.Care) (store.CareResult, error) {
		out, err := decide(c)
		if refused = err; err != nil {
			err = store.ErrWrongState // the store need not know why nothing is kept
		}
		return out, err
	})
	if refused != nil {
		return noted{}, f.diary.fault(refused, caller, nil)
	}
	if err != nil {
		return noted{}, f.diary.fault(err, caller, nil)
	}
	follow := made.FollowUps
	if preview {
		found, err := f.diary.store.GetCase(ctx, caller.Reading(), n.ID)
		if err != nil {
			return noted{}, f.diary.fault(err, caller, nil)
		}
		for i := range follow {
			follow[i].Tooth, follow[i].Revision = found.Tooth, found.Revision
		}
	} else if follow, _, err = f.store.ListFollowUps(ctx, caller.Reading(), store.FollowUpQuery{CaseID: n.ID}); err != nil {
		return noted{}, f.diary.fault(err, caller, nil)
	}
	shown, err := f.shown(ctx, caller, follow)
	return noted{follow: shown, caller: caller, caseID: n.ID, at: at, document: made.Document}, err
}

// noted is what a record came to.
type noted struct {
	follow []*vw.FollowUp
	caller Caller
	caseID string
	at     surroundings
	// document holds the events with the one recorded. It is what the store kept,
	// so that a repeated request is answered like the first.
	document []byte
}

// judged reads the event recorded, and the case as it stands with it.
func (f *FollowUps) judged(ctx context.Context, n noted) (e followup.Event, state followup.Case, err error) {
	events, err := eventsOf(n.document)
	if err != nil || len(events) == 0 {
		return e, state, err
	}
	care, err := f.store.ReadCare(ctx, n.caller.Reading(), n.caseID)
	if err != nil {
		return e, state, f.diary.fault(err, n.caller, nil)
	}
	care.Document = n.document
	state, err = f.stateOf(care, n.at)
	return events[len(events)-1], state, err
}

func (f *FollowUps) stateOf(c store.Care, at surroundings) (followup.Case, error) {
	recorded, err := eventsOf(c.Document)
	if err != nil {
		return followup.Case{}, err
	}
	events, err := f.withVisits(c, recorded, at.zone)
	if err != nil {
		return followup.Case{}, err
	}
	state, _, err := followup.Fold(events, at.zone.Date(c.Now))
	return state, err
}

// dayOrToday reads a day of the request.
func dayOrToday(field string, d *date.Date, at surroundings, c store.Care) (civil.Date, error) {
	if d == nil {
		return at.zone.Date(c.Now), nil
	}
	return dateFromProto(field, d)
}

// RecordCare records how a visit left the tooth.
func (f *FollowUps) RecordCare(ctx context.Context, r *vw.RecordCareRequest) (*vw.RecordCareResponse, error) {
	kept, err := f.record(ctx, r, r.GetCase(), r.GetValidateOnly(), func(c store.Care, _ followup.Case, at surroundings) (followup.Event, error) {
		if c.Case.Tooth == 0 {
			return followup.Event{}, fault.State(vw.ErrorReason_ERROR_REASON_TOOTH_NOT_IDENTIFIED, r.GetCase(), "name the tooth first")
		}
		day, err := dayOrToday("date", r.GetDate(), at, c)
		if err != nil {
			return followup.Event{}, err
		}
		switch left := r.GetLeft().(type) {
		case *vw.RecordCareRequest_Open:
			o := left.Open
			open, needed, err := f.windowOf(c.Case, o.GetStop(), o.GetMedicament(), o.GetTemporary(), o.GetSealMm())
			if in := (*protocol.InputError)(nil); errors.As(err, &in) {
				return followup.Event{}, invalidField("open."+in.Field, in.Want)
			}
			if err != nil {
				return followup.Event{}, err
			}
			if !needed {
				return followup.Event{}, invalidField("open.stop", "a stopping point after which the tooth waits; from this one no clock runs")
			}
			return followup.Event{Kind: followup.Opened, On: day, Open: open}, nil
		case *vw.RecordCareRequest_Filled:
			return filledEvent(left.Filled, c, day)
		}
		return followup.Event{}, invalidField("left", "open or filled")
	})
	return &vw.RecordCareResponse{FollowUps: kept.follow}, err
}

func filledEvent(l *vw.LeftFilled, c store.Care, day civil.Date) (followup.Event, error) {
	f := fillingOf(c.Case)
	f.CorePlaced, f.IndexBefore = l.GetCorePlaced(), int(l.GetIndexBefore())
	f.ByReferrer, f.ReviewsByReferrer = f.ByReferrer || l.GetReferrerRestores(), f.ReviewsByReferrer || l.GetReferrerReviews()
	if l.GetNeedsCoverage() {
		f.Needs = followup.Coverage
	}
	if l.GetCalendar() != "" {
		f.Calendar = l.GetCalendar()
	}
	if f.IndexBefore < 0 || f.IndexBefore > 5 {
		return followup.Event{}, invalidField("filled.index_before", "the periapical index, 1 (normal) to 5; leave it out when it was not read")
	}
	calendar, err := recall.Find(f.Calendar)
	if err != nil {
		return followup.Event{}, unknownID("filled.calendar", "review-calendars")
	}
	if f.Injury, err = dateFromProto("filled.injury_date", l.GetInjuryDate()); err != nil {
		return followup.Event{}, err
	}
	if calendar.Anchor == recall.Injury && f.Injury.IsZero() {
		return followup.Event{}, invalidField("filled.injury_date", "the day of the injury, from which this calendar counts")
	}
	if f.Injury.After(day) {
		return followup.Event{}, invalidField("filled.injury_date", "a day before the filling")
	}
	return followup.Event{Kind: followup.FilledUp, On: day, Filling: f}, nil
}

func notTreated(name string) error {
	return fault.State(vw.ErrorReason_ERROR_REASON_NOT_TREATED_YET, name, "the canals are not filled yet: record the filling first")
}

// RecordRestoration records that the tooth was restored, here or elsewhere.
func (f *FollowUps) RecordRestoration(ctx context.Context, r *vw.RecordRestorationRequest) (*vw.RecordRestorationResponse, error) {
	kept, err := f.record(ctx, r, r.GetCase(), r.GetValidateOnly(), func(c store.Care, state followup.Case, at surroundings) (followup.Event, error) {
		day, err := dayOrToday("date", r.GetDate(), at, c)
		if err != nil {
			return followup.Event{}, err
		}
		if state.Filled == nil || day.Before(state.Filled.On) {
			return followup.Event{}, notTreated(r.GetCase())
		}
		e := followup.Event{Kind: followup.Restored, On: day}
		if r.GetCoreOnly() {
			e.Kind = followup.CorePlaced
		}
		if r.GetByReferrer() {
			e.Reason = "reported by the referring dentist"
		}
		return e, nil
	})
	return &vw.RecordRestorationResponse{FollowUps: kept.follow}, err
}

// RecordReview records a review and judges it by the published rules.
func (f *FollowUps) RecordReview(ctx context.Context, r *vw.RecordReviewRequest) (*vw.RecordReviewResponse, error) {
	out := &vw.RecordReviewResponse{}
	kept, err := f.record(ctx, r, r.GetCase(), r.GetValidateOnly(), func(c store.Care, state followup.Case, at surroundings) (followup.Event, error) {
		day, err := dayOrToday("date", r.GetDate(), at, c)
		if err != nil {
			return followup.Event{}, err
		}
		if state.Reviews == nil || day.Before(state.Reviews.Anchor) {
			return followup.Event{}, notTreated(r.GetCase())
		}
		if !state.Reviews.LastHeld.IsZero() && day.Before(state.Reviews.LastHeld) {
			return followup.Event{}, invalidField("date", "a day that is not before the last review")
		}
		for _, v := range []struct {
			field string
			index *int32
		}{{"index_now", r.IndexNow}, {"index_before", r.IndexBefore}} { //nolint:protogetter // absent is not 0 here
			if v.index != nil && (*v.index < 1 || *v.index > 5) {
				return followup.Event{}, invalidField(v.field, "the periapical index, 1 (normal) to 5; leave it out when no radiograph was taken")
			}
		}
		if r.GetIndexNow() > 0 && strings.TrimSpace(r.GetRadiographReason()) == "" {
			return followup.Event{}, invalidField("radiograph_reason", "why the radiograph was needed")
		}
		e := followup.Event{Kind: followup.Reviewed, On: day, Reason: r.GetRadiographReason(), Finding: &recall.Finding{
			IndexBefore: int(r.GetIndexBefore()), IndexNow: int(r.GetIndexNow()), Symptoms: r.GetSymptoms(), SinusTract: r.GetSinusTract(), Swelling: r.GetSwelling(),
			TenderToPercussion: r.GetTenderToPercussion(), DeepProbing: r.GetDeepProbing(), RestorationLost: r.GetRestorationLost()}}
		if e.Finding.IndexBefore == 0 {
			e.Finding.IndexBefore = state.IndexBefore
		}
		if _, err := recall.Judge(*e.Finding); err != nil {
			return e, invalidField("index_now", err.Error())
		}
		return e, nil
	})
	if err != nil {
		return nil, err
	}
	out.FollowUps = kept.follow
	event, state, err := f.judged(ctx, kept)
	if err != nil || event.Finding == nil || state.Reviews == nil {
		return out, err
	}
	j, err := recall.Judge(*event.Finding)
	if err != nil {
		return nil, err
	}
	out.Outcome = &vw.ReviewOutcome{Outcome: outcomeID(j.Outcome), Strict: j.Strict, Loose: j.Loose, Reasons: j.Reasons, Advice: j.Advice}
	step, err := recall.Next(state.Reviews.Calendar, state.Reviews.Held)
	if err != nil {
		return nil, err
	}
	out.Outcome.Next = map[recall.StepKind]string{recall.ReviewDue: "review-due", recall.Reassess: "re-assess", recall.Decide: "decide", recall.SeriesOver: "series-complete"}[step.Kind]
	out.Outcome.NextReason = step.Reason
	return out, nil
}

func outcomeID(o recall.Outcome) string {
	if o == recall.Unread {
		return "unread"
	}
	return slug(string(o))
}

// PutOffFollowUp asks for a follow-up later.
func (f *FollowUps) PutOffFollowUp(ctx context.Context, r *vw.PutOffFollowUpRequest) (*vw.PutOffFollowUpResponse, error) {
	kept, err := f.record(ctx, r, r.GetCase(), r.GetValidateOnly(), func(c store.Care, state followup.Case, at surroundings) (followup.Event, error) {
		if _, err := f.present(c, state, at, r.GetKey()); err != nil {
			return followup.Event{}, err
		}
		until, err := dateFromProto("until_date", r.GetUntilDate())
		if err != nil {
			return followup.Event{}, err
		}
		today := at.zone.Date(c.Now)
		if !until.After(today) {
			return followup.Event{}, invalidField("until_date", "a day after today")
		}
		if strings.TrimSpace(r.GetReason()) == "" {
			return followup.Event{}, invalidField("reason", "why it is put off")
		}
		return followup.Event{Kind: followup.PutOffTo, On: today, Key: r.GetKey(), Until: until, Reason: r.GetReason()}, nil
	})
	return &vw.PutOffFollowUpResponse{FollowUps: kept.follow}, err
}

// FinishFollowUp ends a decision or a re-assessment.
func (f *FollowUps) FinishFollowUp(ctx context.Context, r *vw.FinishFollowUpRequest) (*vw.FinishFollowUpResponse, error) {
	kept, err := f.record(ctx, r, r.GetCase(), r.GetValidateOnly(), func(c store.Care, state followup.Case, at surroundings) (followup.Event, error) {
		x, err := f.present(c, state, at, r.GetKey())
		if err != nil {
			return followup.Event{}, err
		}
		if x.Kind != followup.Decision && x.Kind != followup.Reassess {
			return followup.Event{}, fault.State(vw.ErrorReason_ERROR_REASON_FOLLOW_UP_NEEDS_ITS_CAUSE, r.GetCase(),
				"record what was done (the visit, the restoration, the review): the follow-up ends with it")
		}
		if strings.TrimSpace(r.GetReason()) == "" {
			return followup.Event{}, invalidField("reason", "what was decided, and why")
		}
		return followup.Event{Kind: followup.Done, On: at.zone.Date(c.Now), Key: r.GetKey(), Reason: r.GetReason()}, nil
	})
	return &vw.FinishFollowUpResponse{FollowUps: kept.follow}, err
}

func (f *FollowUps) present(c store.Care, state followup.Case, at surroundings, key string) (followup.FollowUp, error) {
	list, err := followup.Derive(state, at.calendar, at.zone.Date(c.Now))
	if err != nil {
		return followup.FollowUp{}, err
	}
	i := slices.IndexFunc(list, func(x followup.FollowUp) bool { return x.Key == key })
	if i < 0 {
		return followup.FollowUp{}, fault.NotFound(vw.ErrorReason_ERROR_REASON_FOLLOW_UP_NOT_FOUND, "").With("field", "key")
	}
	return list[i], nil
}

func (f *FollowUps) messageFault(err error, c Caller, name string) error {
	if errors.Is(err, store.ErrWrongState) {
		return fault.State(vw.ErrorReason_ERROR_REASON_WRONG_MESSAGE_STATE, name, "only a failed or uncertain message, or one on the call list, is tried again").Because(err)
	}
	return f.diary.fault(err, c, nil)
}

// eventWords is one event as a sentence.
func eventWords(e followup.Event) string {
	switch e.Kind {
	case followup.Opened:
		if e.Open.Ended != "" {
			return "treatment stopped (" + e.Open.Ended + ")"
		}
		// Never "left open": to a dentist that is a tooth without a seal.
		sealed := ""
		if t := e.Open.Temporary; t != "" && t != "unknown" && t != "none" {
			sealed = ", sealed with a temporary restoration"
		}
		return "begun and not finished" + sealed + "; return between day " + plain(e.Open.EarliestDays) + " and day " + plain(e.Open.LatestDays)
	case followup.FilledUp:
		if e.Filling.CorePlaced {
			return "canals filled, core placed"
		}
		return "canals filled, core still missing"
	case followup.CorePlaced:
		return "core placed"
	case followup.Restored:
		return strings.TrimSuffix("definitive restoration placed; "+e.Reason, "; ")
	case followup.Reviewed:
		if j, err := recall.Judge(*e.Finding); err == nil {
			return "review: " + string(j.Outcome) + " (" + strings.Join(j.Reasons, "; ") + ")"
		}
		return "review"
	case followup.Called:
		return "the patient called: " + strings.ReplaceAll(string(e.Complaint), "-", " ")
	case followup.PutOffTo:
		return "asked again on " + e.Until.Words() + ": " + e.Reason
	}
	return "decided: " + e.Reason
}
