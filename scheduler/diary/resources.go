// Package diary knows what is free in a practice and finds sets of
// appointments that fit a treatment plan.
//
// Every resource has one Mask for each local day. Search answers with the best
// sets of places for all visits of a plan; what it returns is exact: the same
// sets, in the same order, as trying everything would give.
package diary

import (
	"fmt"
	"slices"

	"github.com/visitwright/visitwright/scheduler/civil"
)

// Kind is the kind of a resource.
type Kind uint8

// The kinds of resources that a booking can hold.
const (
	KindRoom Kind = iota
	KindClinician
	KindNurse
	KindUnit // one unit of a kind of equipment
)

var kindNames = [...]string{"room", "clinician", "nurse", "equipment"}

// String returns the word for the kind.
func (k Kind) String() string {
	if int(k) < len(kindNames) {
		return kindNames[k]
	}
	return fmt.Sprintf("kind %d", uint8(k))
}

// Ref names one resource of the practice.
type Ref struct {
	Kind Kind   `json:"kind"`
	ID   string `json:"id"`
}

// String writes "room 3".
func (r Ref) String() string { return r.Kind.String() + " " + r.ID }

// Room is a treatment room.
type Room struct {
	ID string `json:"id"`
	// Own, when set, are the room's own hours and closures within those of the
	// practice.
	Own *civil.Calendar `json:"own,omitempty"`
}

// Clinician is a person who treats.
type Clinician struct {
	ID  string          `json:"id"`
	Own *civil.Calendar `json:"own,omitempty"` // hours and absences within those of the practice
	// Protocols are the catalogue ids of what the clinician does.
	Protocols []string `json:"protocols"`
}

// Nurse is a person who assists.
type Nurse struct {
	ID  string          `json:"id"`
	Own *civil.Calendar `json:"own,omitempty"`
}

// Unit is one piece of equipment that exists in limited number.
type Unit struct {
	ID   string          `json:"id"`
	Kind string          `json:"kind"` // for example "microscope"
	Own  *civil.Calendar `json:"own,omitempty"`
	// Rooms in which the unit can be used; none means in all.
	Rooms []string `json:"rooms,omitempty"`
}

// Reserve keeps times of a resource for emergencies.
type Reserve struct {
	Resource Ref         `json:"resource"`
	Hours    civil.Hours `json:"hours"`
}

// Release says when a day's reserve is given up: DaysBefore days before it, at
// the local time At.
type Release struct {
	DaysBefore int             `json:"days_before"` // 0 to 31
	At         civil.TimeOfDay `json:"at"`
}

// UsefulLength is a length of appointment that the practice books, with its
// weight: how much losing room for one of them matters.
type UsefulLength struct {
	Minutes int `json:"minutes"` // on the grid
	Weight  int `json:"weight"`  // 1 to 100
}

// Practice is what can be booked, and when.
type Practice struct {
	Zone       *civil.Zone
	Calendar   civil.Calendar // of the practice; nothing is open outside it
	Rooms      []Room
	Clinicians []Clinician
	Nurses     []Nurse
	Units      []Unit
	Reserves   []Reserve
	Release    Release
	// Useful are the lengths by which lost capacity is measured; none switches
	// that cost off.
	Useful []UsefulLength
}

// Limits on the size of a practice. They keep a search small and are far above
// any practice.
const (
	MostResources     = 1000 // of one kind
	MostUsefulLengths = 12
)

// Validate reports the first thing in the practice that cannot be.
func (p *Practice) Validate() error {
	if p.Zone == nil {
		return fmt.Errorf("practice zone: missing, want an IANA zone such as Europe/London")
	}
	if err := p.Calendar.Validate(Grid); err != nil {
		return fmt.Errorf("practice: %w", err)
	}
	seen := map[Ref]bool{}
	counts := [4]int{}
	for _, r := range p.refs() {
		own := p.own(r)
		if r.ID == "" {
			return fmt.Errorf("%s: the id is missing", r.Kind)
		}
		if seen[r] {
			return fmt.Errorf("%s: the id is there twice", r)
		}
		seen[r] = true
		if counts[r.Kind]++; counts[r.Kind] > MostResources {
			return fmt.Errorf("%s: more than %d of them", r.Kind, MostResources)
		}
		if own != nil {
			if err := own.Validate(Grid); err != nil {
				return fmt.Errorf("%s: %w", r, err)
			}
		}
	}
	for _, u := range p.Units {
		if u.Kind == "" {
			return fmt.Errorf("equipment %s: the kind is missing", u.ID)
		}
		for _, id := range u.Rooms {
			if !seen[Ref{KindRoom, id}] {
				return fmt.Errorf("equipment %s: room %q is not known", u.ID, id)
			}
		}
	}
	for _, r := range p.Reserves {
		if !seen[r.Resource] {
			return fmt.Errorf("reserve: %s is not known", r.Resource)
		}
		if err := r.Hours.Validate(Grid); err != nil {
			return fmt.Errorf("reserve of %s: %w", r.Resource, err)
		}
	}
	if p.Release.DaysBefore < 0 || p.Release.DaysBefore > 31 || p.Release.At < 0 || p.Release.At > civil.EndOfDay {
		return fmt.Errorf("release of the reserve: want 0 to 31 days before, at 00:00 to 24:00")
	}
	if len(p.Useful) > MostUsefulLengths {
		return fmt.Errorf("useful lengths: %d, want at most %d", len(p.Useful), MostUsefulLengths)
	}
	for _, u := range p.Useful {
		if u.Minutes < Grid || u.Minutes%Grid != 0 || u.Minutes > cells*Grid {
			return fmt.Errorf("useful length %d minutes: want a multiple of %d", u.Minutes, Grid)
		}
		if u.Weight < 1 || u.Weight > 100 {
			return fmt.Errorf("useful length %d minutes: weight %d, want 1 to 100", u.Minutes, u.Weight)
		}
	}
	return nil
}

// refs lists every resource: rooms, clinicians, nurses, units, each in the
// order given. The position in it is the resource's index inside the package.
func (p *Practice) refs() []Ref {
	out := make([]Ref, 0, len(p.Rooms)+len(p.Clinicians)+len(p.Nurses)+len(p.Units))
	for _, r := range p.Rooms {
		out = append(out, Ref{KindRoom, r.ID})
	}
	for _, c := range p.Clinicians {
		out = append(out, Ref{KindClinician, c.ID})
	}
	for _, n := range p.Nurses {
		out = append(out, Ref{KindNurse, n.ID})
	}
	for _, u := range p.Units {
		out = append(out, Ref{KindUnit, u.ID})
	}
	return out
}

func (p *Practice) own(r Ref) *civil.Calendar {
	switch r.Kind {
	case KindRoom:
		if i := slices.IndexFunc(p.Rooms, func(x Room) bool { return x.ID == r.ID }); i >= 0 {
			return p.Rooms[i].Own
		}
	case KindClinician:
		if i := slices.IndexFunc(p.Clinicians, func(x Clinician) bool { return x.ID == r.ID }); i >= 0 {
			return p.Clinicians[i].Own
		}
	case KindNurse:
		if i := slices.IndexFunc(p.Nurses, func(x Nurse) bool { return x.ID == r.ID }); i >= 0 {
			return p.Nurses[i].Own
		}
	case KindUnit:
		if i := slices.IndexFunc(p.Units, func(x Unit) bool { return x.ID == r.ID }); i >= 0 {
			return p.Units[i].Own
		}
	}
	return nil
}
