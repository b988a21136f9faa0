package followup

import (
	"fmt"

	"github.com/visitwright/visitwright/planner/recall"
	"github.com/visitwright/visitwright/scheduler/civil"
)

// EventKind says what happened.
type EventKind string

const (
	Opened     EventKind = "opened"   // left open between visits
	FilledUp   EventKind = "filled"   // the canals are filled
	CorePlaced EventKind = "core"     // the core alone was placed
	Restored   EventKind = "restored" // the definitive restoration was placed
	Reviewed   EventKind = "reviewed" //
	Called     EventKind = "called"   // the patient called between visits
	PutOffTo   EventKind = "put-off"  // asked again later
	Done       EventKind = "done"     // a decision was taken
)

// Complaint of a patient who calls between visits.
type Complaint string

const (
	TemporaryLost Complaint = "temporary-lost"
	Pain          Complaint = "pain"
	Swelling      Complaint = "swelling"
	CrownOff      Complaint = "crown-off"
)

// Filling is what is known once the canals are filled.
type Filling struct {
	CorePlaced        bool       `json:"core_placed,omitempty"`
	Needs             Cover      `json:"needs"`
	ByReferrer        bool       `json:"by_referrer,omitempty"`
	ReviewsByReferrer bool       `json:"reviews_by_referrer,omitempty"`
	Calendar          string     `json:"calendar"`
	Injury            civil.Date `json:"injury"` // for calendars that count from it
	IndexBefore       int        `json:"index_before,omitempty"`
}

// Event is one thing that happened to a case after or between its visits.
// Events are never changed; what is due is read from all of them.
type Event struct {
	Kind      EventKind       `json:"kind"`
	On        civil.Date      `json:"on"`
	Key       string          `json:"key,omitempty"`
	Until     civil.Date      `json:"until"`
	Reason    string          `json:"reason,omitempty"`
	Open      *Open           `json:"open,omitempty"`
	Filling   *Filling        `json:"filling,omitempty"`
	Finding   *recall.Finding `json:"finding,omitempty"`
	Complaint Complaint       `json:"complaint,omitempty"`
}

// resealWithin is by when a lost temporary is replaced, in days.
const resealWithin = 2

// Outcome is one review of a series with what became of it.
type Outcome struct {
	Months  int // from the anchor; 0 for a review counted in days
	Held    bool
	On      civil.Date // held on, or its latest day
	Outcome recall.Outcome
}

// Fold reads the events of one case, in the order in which they happened, as
// of a day. Errors come from a calendar that is not in the catalogue or a
// finding that cannot be.
func Fold(events []Event, today civil.Date) (Case, []Outcome, error) {
	c := Case{PutOff: map[string]PutOff{}, Done: map[string]bool{}}
	var index int
	held := map[int]Outcome{}
	for _, e := range events {
		switch e.Kind {
		case Opened:
			open := *e.Open
			open.Since = e.On
			c.Open, c.Filled, c.Complaint = &open, nil, nil
		case FilledUp:
			f := e.Filling
			c.Open, c.Complaint = nil, nil
			c.Filled = &Filled{On: e.On, Needs: f.Needs, ByReferrer: f.ByReferrer}
			if f.CorePlaced {
				c.Filled.Core = e.On
			}
			calendar, err := recall.Find(f.Calendar)
			if err != nil {
				return c, nil, err
			}
			anchor := e.On
			if calendar.Anchor == recall.Injury && !f.Injury.IsZero() {
				anchor = f.Injury
			}
			c.Reviews = &Reviews{Calendar: calendar, Anchor: anchor, ByReferrer: f.ReviewsByReferrer}
			index, c.IndexBefore = f.IndexBefore, f.IndexBefore
			held = map[int]Outcome{}
		case CorePlaced, Restored:
			if c.Filled == nil {
				continue
			}
			if c.Filled.Core.IsZero() {
				c.Filled.Core = e.On
			}
			if e.Kind == Restored {
				c.Filled.RestoredOn = e.On
			}
		case Reviewed:
			if err := c.reviewed(e, index, held); err != nil {
				return c, nil, err
			}
		case Called:
			c.called(e)
		case PutOffTo:
			c.PutOff[e.Key] = PutOff{Until: e.Until, Reason: e.Reason}
		case Done:
			c.Done[e.Key] = true
			if c.Complaint != nil && c.Complaint.key() == e.Key {
				c.Complaint = nil
			}
		default:
			return c, nil, fmt.Errorf("event %q is not known", e.Kind)
		}
	}
	out, err := c.outcomes(held, today)
	return c, out, err
}

// reviewed puts a review into its place of the series: the last one whose
// earliest day has come. One that comes before its time is an extra look and
// leaves the series as it is, unless it finds the tooth ill.
func (c *Case) reviewed(e Event, before int, held map[int]Outcome) error {
	f := *e.Finding
	if f.IndexBefore == 0 {
		f.IndexBefore = before
	}
	j, err := recall.Judge(f)
	if err != nil {
		return err
	}
	ill := f.Symptoms || f.Swelling || f.SinusTract
	if f.RestorationLost && c.Filled != nil {
		c.Filled.RestoredOn = civil.Date{}
	}
	c.Complaint = nil
	if c.Reviews == nil {
		return nil
	}
	reviews, err := c.Reviews.Calendar.Reviews()
	if err != nil {
		return err
	}
	next := 0
	for _, h := range c.Reviews.Held {
		next = max(next, h.Review+1)
	}
	place := -1
	for i := next; i < len(reviews); i++ {
		if !e.On.Before(on(c.Reviews.Anchor, reviews[i].Earliest)) {
			place = i
		}
	}
	if place < 0 && j.Outcome == recall.NotHealed && ill {
		place = min(next, len(reviews)-1)
	}
	if place < 0 {
		return nil
	}
	c.Reviews.Held = append(c.Reviews.Held, recall.Held{Review: place, Judgement: j, Symptoms: ill})
	c.Reviews.LastHeld = e.On
	held[place] = Outcome{Held: true, On: e.On, Outcome: j.Outcome}
	return nil
}

func (c *Case) called(e Event) {
	switch {
	case e.Complaint == CrownOff && c.Filled != nil:
		c.Filled.RestoredOn = civil.Date{}
	case e.Complaint == TemporaryLost && c.Open != nil:
		days := e.On.DaysSince(c.Open.Since) + resealWithin
		if days < c.Open.LatestDays {
			c.Open.LatestDays = days
		}
		c.Open.EarliestDays = min(c.Open.EarliestDays, c.Open.LatestDays)
		c.Open.TargetDays = c.Open.LatestDays
		c.Open.ClosesBecause = "the temporary restoration was lost on " + e.On.Words() + ": the tooth is sealed again at once, the dressing renewed if it has leaked"
		c.Open.OpensBecause = ""
		c.Open.EarliestDays = min(c.Open.EarliestDays, e.On.DaysSince(c.Open.Since))
	case (e.Complaint == Pain || e.Complaint == Swelling) && c.Open != nil:
		c.Open.Urgent = true
	default:
		c.Complaint = &Complained{On: e.On, What: e.Complaint}
	}
}

// outcomes lists the reviews that were held and those whose latest day passed.
func (c *Case) outcomes(held map[int]Outcome, today civil.Date) ([]Outcome, error) {
	if c.Reviews == nil {
		return nil, nil
	}
	reviews, err := c.Reviews.Calendar.Reviews()
	if err != nil {
		return nil, err
	}
	step, err := recall.Next(c.Reviews.Calendar, c.Reviews.Held)
	if err != nil {
		return nil, err
	}
	var out []Outcome
	for i, r := range reviews {
		o, ok := held[i]
		latest := on(c.Reviews.Anchor, r.Latest)
		switch {
		case ok:
		case latest.Before(today) && (i <= step.Index && step.Kind == recall.ReviewDue || i < step.Index):
			o = Outcome{On: latest}
		default:
			continue
		}
		o.Months = r.Target.Months
		out = append(out, o)
	}
	return out, nil
}
