package scheduler

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/grpc"

	"github.com/visitwright/visitwright/planner/protocol"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/scheduler/civil"
	"github.com/visitwright/visitwright/scheduler/followup"
	"github.com/visitwright/visitwright/store"
)

// FollowUpStore is what follow-ups and messages ask of the store.
type FollowUpStore interface {
	store.FollowUps
	store.Messages

	ReadSetup(ctx context.Context, call store.Call) (store.DiarySetup, error)
	EndExpired(ctx context.Context, limit int) (int, error)
	Tidy(ctx context.Context) error
}

// FollowUps implements FollowUpService. It shares callers, pages and faults
// with the diary of the same process.
type FollowUps struct {
	vw.UnsafeFollowUpServiceServer // a method of the contract without a handler does not compile

	diary   *Diary
	store   FollowUpStore
	shipped *protocol.Catalogue
	// Replan, where no job does it, plans cases anew whose latest date has passed,
	// before the first list that shows them. Nil leaves that to the job.
	Replan func(context.Context) (int, error)

	freed bell // rings when an integration has ended a claim
}

var _ vw.FollowUpServiceServer = (*FollowUps)(nil)

// NewFollowUps builds the service beside a diary.
func NewFollowUps(d *Diary, s FollowUpStore) (*FollowUps, error) {
	if d == nil || s == nil {
		return nil, errors.New("scheduler: diary and store are both needed")
	}
	shipped, err := protocol.Shipped()
	return &FollowUps{diary: d, store: s, shipped: shipped}, err
}

// Register adds the service to a server.
func (f *FollowUps) Register(r grpc.ServiceRegistrar) { vw.RegisterFollowUpServiceServer(r, f) }

// surroundings is what a practice's dates and messages depend on.
type surroundings struct {
	practice store.Practice
	calendar civil.Calendar
	zone     *civil.Zone
	messages messageSettings
}

func (f *FollowUps) surroundings(ctx context.Context, practice string) (surroundings, error) {
	setup, err := f.store.ReadSetup(ctx, sweeper(practice))
	if err != nil {
		return surroundings{}, err
	}
	out := surroundings{practice: setup.Practice}
	if out.zone, err = f.diary.zones.Zone(setup.Practice.Zone); err != nil {
		return out, err
	}
	if out.messages, err = messageSettingsOf(setup.Practice); err != nil {
		return out, err
	}
	everybody := store.ResourceRef{}
	c, err := own(setup, everybody)
	if err != nil {
		return out, err
	}
	if c != nil && slices.ContainsFunc(setup.Hours, func(h store.Hours) bool { return h.Owner == everybody && len(h.Rules) > 0 }) {
		out.calendar = *c
		return out, nil
	}
	// Until hours are set, Monday to Friday count as working days: a date then
	// falls on a plausible day, and moves as soon as the hours are known.
	var week civil.Week
	for day := time.Monday; day <= time.Friday; day++ {
		week[day] = []civil.Span{{From: 8 * 60, To: 17 * 60}}
	}
	if c != nil {
		out.calendar = *c
	}
	out.calendar.Hours = civil.Always(civil.EveryWeek(week))
	return out, nil
}

// sweeper is who acts when nobody asked.
func sweeper(practice string) store.Call {
	return store.Call{Practice: practice, Actor: "scheduler", Method: "Sweep"}
}

// Refresh takes what changed and looks at every case of the practice that is
// due, so that what is listed next holds at once. An empty practice means all.
// It returns how many cases it looked at.
func (f *FollowUps) Refresh(ctx context.Context, practice string) (int, error) {
	seen := map[string]surroundings{}
	of := func(ctx context.Context, practice string) (surroundings, error) {
		if s, ok := seen[practice]; ok {
			return s, nil
		}
		s, err := f.surroundings(ctx, practice)
		if err == nil {
			seen[practice] = s
		}
		return s, err
	}
	for {
		n, err := f.takeCauses(ctx, practice)
		if err != nil {
			return 0, err
		}
		if n < sweepBatch {
			break
		}
	}
	total := 0
	for {
		due, err := f.store.DueCare(ctx, practice, sweepBatch)
		if err != nil {
			return total, err
		}
		for _, d := range due {
			at, err := of(ctx, d.Practice)
			if err != nil {
				return total, err
			}
			if _, err := f.store.LookAtCare(ctx, sweeper(d.Practice), d.CaseID, func(c store.Care) (store.CareResult, error) {
				out, err := f.look(c, at, nil)
				if err != nil {
					out = unreadable(c) // one case must not keep the others from being looked at
				}
				return out, nil
			}); err != nil {
				return total, err
			}
			total++
		}
		if len(due) < sweepBatch {
			return total, nil
		}
	}
}

// unreadable is what is left of a case whose record cannot be read: a clinician
// is asked, and it is looked at again tomorrow.
func unreadable(c store.Care) store.CareResult {
	today := c.Now.UTC().Format(time.DateOnly)
	return store.CareResult{Keep: true, Look: c.Now.Add(24 * time.Hour), FollowUps: []store.FollowUp{{CaseID: c.Case.ID, PatientID: c.Case.PatientID,
		Key: "unreadable", Kind: slug(string(followup.Decision)), State: slug(string(followup.Due)), Actor: slug(string(followup.Clinician)),
		Earliest: today, Target: today, Latest: today, ActOn: today, Reason: "what is due cannot be derived from the record: look at the case"}}}
}

// sweepBatch bounds what one transaction or query takes.
const sweepBatch = 200

// look derives what falls due for one case. more, when set, is an event to add.
func (f *FollowUps) look(c store.Care, at surroundings, more *followup.Event) (store.CareResult, error) {
	recorded, err := eventsOf(c.Document)
	if err != nil {
		return store.CareResult{}, err
	}
	if more != nil {
		recorded = append(recorded, *more)
	}
	today := at.zone.Date(c.Now)
	events, err := f.withVisits(c, recorded, at.zone)
	if err != nil {
		return store.CareResult{}, err
	}
	state, outcomes, err := followup.Fold(events, today)
	if err != nil {
		return store.CareResult{}, err
	}
	state.Closed = c.Case.State == store.CaseClosed || c.Died
	state.Booked, state.Missed = appointmentsOf(c, state, at.zone, today)
	state.Short = shortOf(c, at.zone)
	list, err := followup.Derive(state, at.calendar, today)
	if err != nil {
		return store.CareResult{}, err
	}
	out := store.CareResult{Keep: true}
	if more != nil {
		out.About, out.CaseState = string(more.Kind), stateAfter(*more, c.Case.State)
	}
	if out.Document, err = json.Marshal(recorded); err != nil {
		return out, err
	}
	for _, x := range list {
		out.FollowUps = append(out.FollowUps, store.FollowUp{CaseID: c.Case.ID, PatientID: c.Case.PatientID, Key: x.Key, Kind: slug(string(x.Kind)),
			State: slug(string(x.State)), Actor: slug(string(x.Actor)), Earliest: x.Earliest.String(), Target: x.Target.String(), Latest: x.Latest.String(),
			ActOn: x.ActOn.String(), Reason: x.Reason, Replan: x.Replan})
		out.Messages = append(out.Messages, at.messagesFor(c, x)...)
	}
	for _, o := range outcomes {
		out.Reviews = append(out.Reviews, store.ReviewHeld{Months: monthsKey(o, out.Reviews), Held: o.Held, Outcome: slug(string(o.Outcome)), Day: o.On.String()})
	}
	if next := followup.NextLook(state, list, today); !next.IsZero() && !state.Closed {
		out.Look = at.zone.Day(next).Start
	}
	return out, nil
}

// stateAfter is where a case stands after what a person recorded; empty when it
// stays where it is. A filled tooth is under review once it is restored or was
// looked at again.
func stateAfter(e followup.Event, now store.CaseState) store.CaseState {
	untreated := now == store.CaseReferred || now == store.CaseAssessed || now == store.CasePlanned
	switch {
	case e.Kind == followup.Opened && untreated:
		return store.CaseInTreatment
	case e.Kind == followup.FilledUp && (untreated || now == store.CaseInTreatment):
		return store.CaseFilled
	case (e.Kind == followup.Restored || e.Kind == followup.Reviewed) && now == store.CaseFilled:
		return store.CaseInReview
	}
	return ""
}

// monthsKey keeps reviews counted in weeks apart: below zero, by their place.
func monthsKey(o followup.Outcome, before []store.ReviewHeld) int {
	if o.Months > 0 {
		return o.Months
	}
	return -1 - len(before)
}

func slug(words string) string { return strings.ReplaceAll(words, " ", "-") }

func eventsOf(document []byte) ([]followup.Event, error) {
	out := []followup.Event{}
	if len(document) == 0 {
		return out, nil
	}
	if err := json.Unmarshal(document, &out); err != nil {
		return nil, fmt.Errorf("care document: %w", err)
	}
	return out, nil
}

// appointmentsOf are the coming appointments by their purpose, and how many in
// a row were missed.
func appointmentsOf(c store.Care, state followup.Case, zone *civil.Zone, today civil.Date) (coming []followup.Appointment, missed int) {
	for _, a := range c.Appointments {
		switch a.State {
		case store.StateDidNotAttend:
			missed++
			continue
		case store.StateArrived, store.StateInChair, store.StateLeft:
			missed = 0
		}
		day := zone.Date(a.Start)
		if a.State != store.StateBooked && a.State != store.StateArrived || day.Before(today) {
			continue
		}
		coming = append(coming, followup.Appointment{On: day, Purpose: purposeOf(extrasOf(a.Document).Protocol, state)})
	}
	return coming, missed
}

// purposes are of protocols, by catalogue id, that are no treatment of a tooth
// left open.
var purposes = map[string]followup.Purpose{
	"review": followup.ForReview, "core": followup.ForRestoration,
	"consultation": followup.ForOther, "temporary-repair": followup.ForOther,
}

// shortOf are the coming appointments that are shorter than the visits of the
// newest plan, taken one after the other.
func shortOf(c store.Care, zone *civil.Zone) []followup.Short {
	var out []followup.Short
	next := 0
	for _, a := range c.Appointments {
		planned := slices.ContainsFunc(a.Cases, func(v store.VisitOf) bool { return v.CaseID == c.Case.ID && v.Revision > 0 })
		if !planned || !a.Start.After(c.Now) || a.State != store.StateBooked && a.State != store.StateProvisional {
			continue
		}
		if next >= len(c.Coming) {
			break
		}
		needed := c.Coming[next].Minutes
		next++
		if len(a.Cases) > 1 {
			continue // several teeth of one visit have a length of their own
		}
		if booked := int(a.End.Sub(a.Start).Minutes()); booked < needed {
			out = append(out, followup.Short{ID: a.ID, On: zone.Date(a.Start), Booked: booked, Needed: needed})
		}
	}
	return out
}

// purposeOf says what an appointment is for. On a filled tooth a visit of its
// treatment restores it, since nothing else is left.
func purposeOf(protocolID string, state followup.Case) followup.Purpose {
	if p, ok := purposes[protocolID]; ok {
		return p
	}
	switch {
	case state.Filled == nil:
		return followup.ForTreatment
	case protocolID != "":
		return followup.ForOther // relief, or another look, restores nothing
	}
	return followup.ForRestoration
}
