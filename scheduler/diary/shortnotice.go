package diary

import (
	"cmp"
	"fmt"
	"slices"
	"time"

	"github.com/visitwright/visitwright/scheduler/civil"
)

// Waiting is a patient who would come at short notice.
type Waiting struct {
	ID      string // of the entry in the list, not of the patient
	Visit   Visit
	Anchor  civil.Date // day of the visit before, that the window counts from
	Booked  civil.Date // day of the appointment they have now; zero when none
	Listed  civil.Date // on the list since
	Notice  int        // minutes they need
	Urgency Urgency
	Wishes  Wishes
	Patient []civil.Interval // their other appointments, without the one they would give up
	// Seen is the clinician they know; Continuity says how much that matters.
	Seen       string
	Continuity Continuity
}

// Suited is a patient whom a freed place suits, with the place they would get.
type Suited struct {
	ID      string
	Place   Place
	Unused  int // minutes of the freed place that stay empty
	Sooner  int // days sooner than the appointment they have, 0 when they have none
	Cost    int // what the list is sorted by within one urgency
	Reasons []string
}

// Unsuited says why a freed place is nothing for a patient.
type Unsuited struct {
	ID  string
	Why string
}

// minuteUnused is the cost of a minute of the freed place that stays empty, in
// the units of Ordinary: an hour left empty counts like three days of waiting.
const minuteUnused = 1

// WhoSuits ranks the patients on the short-notice list for a place that was
// freed: those in pain or swelling first, then by how well they fill it and how
// close it is to the target of their window; then by how long they have waited.
// Usable capacity only decides where in the place they would come: the place is
// there to be filled. m are the masks after the place was freed.
func (m *Masks) WhoSuits(freed civil.Interval, now time.Time, weights Weights, list []Waiting) ([]Suited, []Unsuited, error) {
	if !freed.End.After(freed.Start) {
		return nil, nil, field("freed", "want an end after the start")
	}
	day := m.practice.Zone.Date(freed.Start)
	var yes []Suited
	var no []Unsuited
	for _, w := range list {
		s, why, err := m.suits(freed, day, now, weights, w)
		if err != nil {
			return nil, nil, fmt.Errorf("waiting %s: %w", w.ID, err)
		}
		if why != "" {
			no = append(no, Unsuited{w.ID, why})
			continue
		}
		yes = append(yes, s)
	}
	byID := map[string]*Waiting{}
	for i := range list {
		byID[list[i].ID] = &list[i]
	}
	slices.SortStableFunc(yes, func(a, b Suited) int {
		x, y := byID[a.ID], byID[b.ID]
		return cmp.Or(cmp.Compare(y.Urgency, x.Urgency), cmp.Compare(a.Cost, b.Cost),
			cmp.Compare(x.Listed.DaysSince(y.Listed), 0), cmp.Compare(a.ID, b.ID))
	})
	return yes, no, nil
}

func (m *Masks) suits(freed civil.Interval, day civil.Date, now time.Time, weights Weights, w Waiting) (Suited, string, error) {
	if w.Visit.Minutes > freed.Minutes() {
		return Suited{}, fmt.Sprintf("needs %s, the place has %s", count(w.Visit.Minutes, "minute"), count(freed.Minutes(), "minute")), nil
	}
	if lead := int(freed.Start.Sub(now) / time.Minute); lead < w.Notice {
		return Suited{}, fmt.Sprintf("needs %s notice", count(w.Notice, "minute")), nil
	}
	if !w.Booked.IsZero() && !day.Before(w.Booked) {
		return Suited{}, "would not be seen sooner", nil
	}
	if !w.Anchor.IsZero() && !w.Visit.Window.onDay(day.DaysSince(w.Anchor)) {
		return Suited{}, "outside the return window", nil
	}
	req := &Request{Now: now, Notice: w.Notice, Anchor: w.Anchor, Visits: []Visit{w.Visit}, Urgency: w.Urgency, Wishes: w.Wishes,
		Seen: w.Seen, Continuity: w.Continuity, Weights: weights, Best: MostOffers}
	req.Patient = slices.Clone(w.Patient)
	// Only this place: whatever lies before and after it on the day is barred.
	all := m.practice.Zone.Day(day)
	if all.Start.Before(freed.Start) {
		req.Patient = append(req.Patient, civil.Interval{Start: all.Start, End: freed.Start})
	}
	if freed.End.Before(all.End) {
		req.Patient = append(req.Patient, civil.Interval{Start: freed.End, End: all.End})
	}
	if req.Wishes.NotBefore.IsZero() || req.Wishes.NotBefore.Before(day) {
		req.Wishes.NotBefore = day
	}
	if req.Wishes.NotAfter.IsZero() || req.Wishes.NotAfter.After(day) {
		req.Wishes.NotAfter = day
	}
	if req.Wishes.NotAfter.Before(req.Wishes.NotBefore) {
		return Suited{}, "the day does not suit", nil
	}
	got, err := m.Search(req)
	if err != nil {
		return Suited{}, "", err
	}
	if len(got.Offers) == 0 {
		return Suited{}, "the time, the people or the things do not fit", nil
	}
	p := got.Offers[0].Places[0]
	s := Suited{ID: w.ID, Place: p, Unused: freed.Minutes() - w.Visit.Minutes}
	s.Cost = s.Unused*minuteUnused + p.Cost.Target + p.Cost.Change
	if s.Unused == 0 {
		s.Reasons = append(s.Reasons, "fills the place")
	} else {
		s.Reasons = append(s.Reasons, fmt.Sprintf("leaves %s empty", count(s.Unused, "minute")))
	}
	if !w.Booked.IsZero() {
		s.Sooner = w.Booked.DaysSince(day)
		s.Reasons = append(s.Reasons, count(s.Sooner, "day")+" sooner")
	}
	if t := w.Visit.Window.Target; !w.Anchor.IsZero() && t != NoTarget {
		if off := day.DaysSince(w.Anchor) - t; off == 0 {
			s.Reasons = append(s.Reasons, "on the target day")
		} else {
			s.Reasons = append(s.Reasons, count(max(off, -off), "day")+" from the target day")
		}
	}
	if w.Urgency == Urgent {
		s.Reasons = append(s.Reasons, "urgent")
	}
	return s, "", nil
}
