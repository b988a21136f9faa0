package diary

import (
	"fmt"
	"slices"

	"github.com/visitwright/visitwright/scheduler/civil"
)

// Broken is a booking that a change of hours leaves without something it holds.
type Broken struct {
	Booking  string         `json:"booking"`
	Resource Ref            `json:"resource"`
	Chair    civil.Interval `json:"chair"`
	// Outside is the part of the hold for which the resource is no longer there,
	// on the grid; the whole hold when the resource is gone.
	Outside civil.Interval `json:"outside"`
	Text    string         `json:"text"`
}

// BrokenBy lists which bookings a change of the practice breaks: holds that lie
// inside the hours before and outside them after, or whose resource is gone. A
// hold that lay outside the hours already is not the change's doing. The list
// follows the order of the bookings and their holds.
func BrokenBy(before, after *Practice, first civil.Date, days int, bookings []Booking) ([]Broken, error) {
	old, err := Build(before, first, days, 0, nil)
	if err != nil {
		return nil, fmt.Errorf("hours before: %w", err)
	}
	next, err := Build(after, first, days, 0, nil)
	if err != nil {
		return nil, fmt.Errorf("hours after: %w", err)
	}
	var out []Broken
	for _, b := range bookings {
		for _, h := range b.Holds {
			one := Booking{ID: b.ID, Chair: b.Chair, Holds: []Hold{h}}
			r, known := next.index[h.Resource]
			err := old.each(one, func(i int, x held) error {
				var need Mask
				need.Set(int(x.from), int(x.to))
				was := need.And(&old.days[i].open[x.resource])
				now := Mask{}
				if known {
					now = next.days[i].open[r]
				}
				lost := was.AndNot(&now)
				if lost.Empty() {
					return nil
				}
				from := lost.next(0)
				_, to := lost.run(from)
				found := Broken{Booking: b.ID, Resource: h.Resource, Chair: b.Chair,
					Outside: civil.Interval{Start: old.days[i].at(from), End: old.days[i].at(to)}}
				z := before.Zone
				found.Text = fmt.Sprintf("%s is no longer there from %s on", h.Resource, z.Local(found.Outside.Start))
				if !known {
					found.Outside, found.Text = h.Time, fmt.Sprintf("%s no longer exists", h.Resource)
				}
				out = append(out, found)
				return nil
			})
			if err != nil {
				return nil, err
			}
		}
	}
	return slices.CompactFunc(out, func(a, b Broken) bool {
		return a.Booking == b.Booking && a.Resource == b.Resource && a.Outside == b.Outside
	}), nil
}
