package diary

import (
	"time"

	"github.com/visitwright/visitwright/scheduler/civil"
)

// NextPlace returns the next free place for an emergency visit, the day's
// reserve included, and false when the diary has none. The red-flag questions
// come before it: a swelling that spreads needs urgent care, not a place.
//
// The visit's window is not looked at: a minimum interval never blocks a
// patient in pain or swelling.
func (m *Masks) NextPlace(now time.Time, v Visit, patient []civil.Interval) (Place, bool, error) {
	v.Window = AnyDay
	got, err := m.Search(&Request{Now: now, Visits: []Visit{v}, Patient: patient, Urgency: Urgent,
		FirstAvailable: true, Emergency: true, Best: 1})
	if err != nil || len(got.Offers) == 0 {
		return Place{}, false, err
	}
	return got.Offers[0].Places[0], true, nil
}
