package followup

import (
	"errors"
	"fmt"
	"slices"
	"sort"

	"github.com/visitwright/visitwright/planner/recall"
	"github.com/visitwright/visitwright/scheduler/civil"
)

// Kind of follow-up.
type Kind string

const (
	ReturnVisit Kind = "return visit"
	Core        Kind = "core"
	Restoration Kind = "restoration"
	Review      Kind = "review"
	Reassess    Kind = "re-assessment"
	Decision    Kind = "decision"
	Booking     Kind = "booking" // what is booked no longer fits the plan
)

// State of a follow-up on a given day.
type State string

const (
	Ahead   State = "ahead"          // nothing to do yet
	Due     State = "due"            // people should act: book, call, ask
	Booked  State = "booked"         // an appointment lies inside the bounds
	Outside State = "booked outside" // there is an appointment, but not inside the bounds
	Overdue State = "overdue"        // the latest day has passed
)

// Actor says whose task it is.
type Actor string

const (
	Reception Actor = "reception"
	Clinician Actor = "clinician"
	Referrer  Actor = "referring dentist" // reception chases
)

// FollowUp is something that must happen by a date.
type FollowUp struct {
	// Key is stable while the cause lasts: it survives a recomputation, and a
	// new cause gives a new key.
	Key                      string
	Kind                     Kind
	Earliest, Target, Latest civil.Date
	// ActOn is the first day on which people are asked to act.
	ActOn  civil.Date
	State  State
	Actor  Actor
	Reason string
	// Replan says what the plan becomes, once a latest date has passed.
	Replan string
}

const (
	// bookAhead is how many days before the target reception books a return
	// visit or a restoration.
	bookAhead = 14
	// inviteAhead is how many days before the target a review is arranged.
	inviteAhead = 28
	// missedNeedsClinician is the number of appointments missed in a row after
	// which a clinician looks at the case.
	missedNeedsClinician = 2
)

// Derive computes the follow-ups of one case as of a day. The calendar rolls
// targets to working days; clinical bounds are not moved by closures. Errors
// come from review history that does not fit its calendar.
func Derive(c Case, practice civil.Calendar, today civil.Date) ([]FollowUp, error) {
	if c.Closed {
		return nil, nil
	}
	var out []FollowUp
	switch {
	case c.Open != nil && c.Open.Ended != "":
		out = append(out, c.decideStopped())
	case c.Open != nil:
		out = append(out, c.returnVisit(today))
	}
	for _, s := range c.Short {
		out = append(out, FollowUp{Key: fmt.Sprintf("booking/%s/%d", s.ID, s.Needed), Kind: Booking, Earliest: s.On, Target: s.On, Latest: s.On, Actor: Reception,
			Reason: fmt.Sprintf("%d minutes are booked and the newest plan asks for %d: lengthen it, or find another place", s.Booked, s.Needed)})
	}
	if c.Filled != nil {
		restoring, err := c.restoring()
		if err != nil {
			return nil, err
		}
		out = append(out, restoring...)
	}
	if c.Complaint != nil {
		f := FollowUp{Key: c.Complaint.key(), Kind: Reassess, Earliest: c.Complaint.On, Target: c.Complaint.On, Latest: c.Complaint.On, Actor: Clinician}
		f.Reason = "the patient called: " + string(c.Complaint.What)
		out = append(out, f)
	}
	if c.Reviews != nil {
		next, err := c.review()
		if err != nil {
			return nil, err
		}
		out = append(out, next...)
	}
	out = slices.DeleteFunc(out, func(f FollowUp) bool { return c.Done[f.Key] })
	for i := range out {
		c.settle(&out[i], practice, today)
	}
	sort.SliceStable(out, func(i, j int) bool {
		if out[i].Latest != out[j].Latest {
			return out[i].Latest.Before(out[j].Latest)
		}
		return out[i].Key < out[j].Key
	})
	return out, nil
}

func (c Case) returnVisit(today civil.Date) FollowUp {
	o := c.Open
	f := FollowUp{
		Key:      "return/" + o.Since.String(),
		Kind:     ReturnVisit,
		Earliest: o.Since.AddDays(o.EarliestDays),
		Target:   o.Since.AddDays(o.TargetDays),
		Latest:   o.Since.AddDays(o.LatestDays),
		Actor:    Reception,
		Reason:   o.ClosesBecause,
	}
	if o.OpensBecause != "" {
		f.Reason += "; not before: " + o.OpensBecause
	}
	if o.Urgent {
		f.Earliest, f.Target = today, today
		f.Reason = "pain or swelling was reported: seen at once, no minimum holds"
		if f.Latest.Before(today) {
			f.Latest = today
		}
	}
	if o.Unclear != "" {
		f.Actor, f.Reason = Clinician, o.Unclear
	}
	if c.Missed >= missedNeedsClinician {
		f.Actor = Clinician
		f.Reason += fmt.Sprintf("; %d appointments in a row were missed", c.Missed)
	}
	for _, p := range o.PastLatest {
		if today.DaysSince(o.Since) > p.AfterDays {
			f.Replan = p.Text
			f.Actor = Clinician
		}
	}
	return f
}

// decideStopped asks what becomes of a tooth whose treatment was stopped, as
// long as what was placed holds. Its dressing and seal are not renewed by
// themselves: that would be to go on.
func (c Case) decideStopped() FollowUp {
	o := c.Open
	f := FollowUp{Key: "decide/stopped/" + o.Since.String(), Kind: Decision, Earliest: o.Since, Target: o.Since, Latest: o.Since.AddDays(o.LatestDays), Actor: Clinician,
		Reason: "treatment was stopped (" + o.Ended + "): decide with the patient what becomes of the tooth, then close the case"}
	if o.ClosesBecause != "" {
		f.Reason += "; what was placed: " + o.ClosesBecause
	}
	return f
}

func (c Case) restoring() ([]FollowUp, error) {
	limits, err := limits()
	if err != nil {
		return nil, err
	}
	filled := c.Filled
	var out []FollowUp
	if filled.Core.IsZero() && filled.RestoredOn.IsZero() {
		out = append(out, FollowUp{
			Key: "core/" + filled.On.String(), Kind: Core,
			Earliest: filled.On, Target: filled.On.AddDays(limits.Core.Target.days()), Latest: filled.On.AddDays(limits.Core.Latest.days()),
			Actor: Reception, Reason: "filled under a temporary: " + limits.Core.Latest.Mark.Source,
		})
	}
	if filled.RestoredOn.IsZero() {
		l, what := limits.Bonded, "bonded restoration"
		if filled.Needs == Coverage {
			l, what = limits.Coverage, "cusps to be covered"
		}
		f := FollowUp{
			Key: "restoration/" + filled.On.String(), Kind: Restoration,
			Earliest: filled.On, Target: filled.On.AddDays(l.Target.days()), Latest: filled.On.AddDays(l.Latest.days()),
			Actor: Reception, Reason: fmt.Sprintf("%s within %d days of filling: %s", what, l.Latest.days(), l.Why),
		}
		if filled.ByReferrer {
			f.Actor = Referrer
			f.Reason = "the referring dentist restores and has not reported it; " + f.Reason
		}
		out = append(out, f)
	}
	return out, nil
}

func (c Case) review() ([]FollowUp, error) {
	r := c.Reviews
	step, err := recall.Next(r.Calendar, r.Held)
	if err != nil {
		return nil, err
	}
	f := FollowUp{Reason: step.Reason, Actor: Clinician}
	key := fmt.Sprintf("%s/%s/%d", r.Calendar.ID, r.Anchor, step.Index)
	switch step.Kind {
	case recall.SeriesOver:
		return nil, nil
	case recall.Reassess, recall.Decide:
		// Asked for from the day of the review that said so: its own latest date.
		f.Kind, f.Key = Decision, "decide/"+key
		if step.Kind == recall.Reassess {
			f.Kind, f.Key = Reassess, "re-assess/"+key
		}
		reviews, err := r.Calendar.Reviews()
		if err != nil {
			return nil, err
		}
		day := on(r.Anchor, reviews[step.Index].Target)
		if !r.LastHeld.IsZero() {
			day = r.LastHeld
		}
		f.Earliest, f.Target, f.Latest = day, day, day
	case recall.ReviewDue:
		f.Kind, f.Key = Review, "review/"+key
		f.Earliest, f.Target, f.Latest = on(r.Anchor, step.Review.Earliest), on(r.Anchor, step.Review.Target), on(r.Anchor, step.Review.Latest)
		f.Actor = Reception
		f.Reason = step.Review.Label + ": " + step.Reason
		if r.ByReferrer {
			f.Actor = Referrer
		}
	}
	return []FollowUp{f}, nil
}

// on counts months from the anchor itself, clamped to the month's end, then
// days.
func on(anchor civil.Date, o recall.Offset) civil.Date {
	return anchor.AddMonths(o.Months).AddDays(o.Days)
}

// settle rolls the target to a working day inside the bounds, and says where
// the follow-up stands today.
func (c Case) settle(f *FollowUp, practice civil.Calendar, today civil.Date) {
	rolled, err := practice.NextUnlessPast(f.Target, f.Earliest, f.Latest)
	switch {
	case err == nil:
		f.Target = rolled
	case errors.Is(err, civil.ErrNoWorkingDay):
		f.Actor = Clinician
		f.Reason += "; the practice is closed on every day that would do"
	}
	ahead := bookAhead
	if f.Kind == Review {
		ahead = inviteAhead
	}
	f.ActOn = f.Target.AddDays(-ahead)
	if f.Kind == ReturnVisit {
		// Between visits there is no time to lose: it is booked as the tooth is dressed.
		f.ActOn = c.Open.Since
	}
	if f.Kind == Reassess || f.Kind == Decision {
		f.ActOn = f.Target
	}
	if f.Kind == Booking {
		f.ActOn = today // the sooner it is told, the more places there are
		if p, ok := c.PutOff[f.Key]; ok {
			f.ActOn = p.Until
		}
	}
	if p, ok := c.PutOff[f.Key]; ok && p.Until.After(f.ActOn) {
		f.ActOn = p.Until
	}
	within, any := c.appointments(*f)
	switch {
	case within:
		f.State = Booked
	case today.After(f.Latest):
		f.State = Overdue
		if f.Kind == Restoration || f.Kind == Core {
			f.Replan = "look at the tooth before restoring it: a filling that lay open may have to be renewed"
		}
	case any:
		f.State = Outside
	case today.Before(f.ActOn):
		f.State = Ahead
	default:
		f.State = Due
	}
}

func (c Case) appointments(f FollowUp) (within, any bool) {
	purpose := map[Kind]Purpose{ReturnVisit: ForTreatment, Core: ForRestoration, Restoration: ForRestoration, Review: ForReview, Reassess: ForReview}[f.Kind]
	for _, a := range c.Booked {
		if a.Purpose != purpose && !(f.Kind == Core && a.Purpose == ForTreatment) {
			continue
		}
		any = true
		if !a.On.Before(f.Earliest) && !a.On.After(f.Latest) {
			within = true
		}
	}
	return within, any
}

// NextLook is the first day after today on which the state of a follow-up can
// change by the calendar alone; a case need not be looked at before. The zero
// date means that only an event can change anything.
func NextLook(c Case, list []FollowUp, today civil.Date) civil.Date {
	var days []civil.Date
	for _, f := range list {
		days = append(days, f.ActOn, f.Latest.AddDays(1))
	}
	if c.Open != nil {
		for _, p := range c.Open.PastLatest {
			days = append(days, c.Open.Since.AddDays(p.AfterDays+1))
		}
	}
	days = slices.DeleteFunc(days, func(d civil.Date) bool { return !d.After(today) })
	if len(days) == 0 {
		return civil.Date{}
	}
	return slices.MinFunc(days, func(a, b civil.Date) int { return a.DaysSince(b) })
}
