package diary

import (
	"fmt"
	"slices"
)

// Part is a stretch of a visit during which one kind of resource is held, in
// minutes from the visit's start, on the grid. Preparation lies before the
// start, at negative minutes; clean-up lies after the end. Several parts of one
// kind are held by the same room, person or unit.
type Part struct {
	Needs     Kind   `json:"needs"`
	Equipment string `json:"equipment,omitempty"` // kind of equipment, for KindUnit only
	From      int    `json:"from"`
	To        int    `json:"to"`
}

// Visit is what one visit of a plan asks of the diary.
type Visit struct {
	Protocol string `json:"protocol"` // the clinician must do it
	Minutes  int    `json:"minutes"`  // the appointment's length: the patient's time
	Parts    []Part `json:"parts"`
	Window   Window `json:"window"`
	// Clinicians and Rooms, when not empty, are the only ones that will do.
	Clinicians []string `json:"clinicians,omitempty"`
	Rooms      []string `json:"rooms,omitempty"`
	// Companion is set when somebody must come with the patient (sedation).
	Companion bool `json:"companion,omitempty"`
	// LowerBlocks is the number of sides on which this visit numbs the lower
	// jaw by a block, 0 to 2: both at once is advised against.
	LowerBlocks int `json:"lower_blocks,omitempty"`
}

// Window says how many local calendar days after the previous visit this one
// may be. For the first visit of a request the days count from its Anchor.
type Window struct {
	Earliest int `json:"earliest"` // 0 is the same day
	Target   int `json:"target"`   // NoTarget when no day is better than another
	Latest   int `json:"latest"`   // NoLatest when there is no bound
}

// NoTarget and NoLatest leave a side of a Window open.
const (
	NoTarget = -1
	NoLatest = -1
)

// AnyDay is the window without bounds.
var AnyDay = Window{0, NoTarget, NoLatest}

// Manner is how a practice works a visit: who is there when.
type Manner struct {
	Prepare int // minutes before the start: room and nurse
	CleanUp int // minutes after the end: room and nurse
	// NurseFrom and NurseTo leave the nurse free in between, when both are
	// above 0: the nurse is there for the first NurseFrom and the last NurseTo
	// minutes. Else the nurse stays throughout.
	NurseFrom, NurseTo int
	// OnsetFrom to OnsetTo the clinician is elsewhere while the anaesthetic
	// takes effect; both 0 where the clinician stays.
	OnsetFrom, OnsetTo int
	// Equipment kinds, each with the minute from which it is used (a microscope
	// from access on) to the end.
	Equipment []Use
}

// Use is a kind of equipment from a minute of the visit to its end.
type Use struct {
	Kind string
	From int
}

// Parts returns the parts of a visit of the given length worked in this manner.
func (m Manner) Parts(minutes int) []Part {
	parts := []Part{{Needs: KindRoom, From: -m.Prepare, To: minutes + m.CleanUp}}
	if m.OnsetTo > m.OnsetFrom && m.OnsetTo < minutes {
		if m.OnsetFrom > 0 {
			parts = append(parts, Part{Needs: KindClinician, From: 0, To: m.OnsetFrom})
		}
		parts = append(parts, Part{Needs: KindClinician, From: m.OnsetTo, To: minutes})
	} else {
		parts = append(parts, Part{Needs: KindClinician, From: 0, To: minutes})
	}
	if m.NurseFrom > 0 && m.NurseTo > 0 && m.NurseFrom+m.NurseTo < minutes {
		parts = append(parts,
			Part{Needs: KindNurse, From: -m.Prepare, To: m.NurseFrom},
			Part{Needs: KindNurse, From: minutes - m.NurseTo, To: minutes + m.CleanUp})
	} else {
		parts = append(parts, Part{Needs: KindNurse, From: -m.Prepare, To: minutes + m.CleanUp})
	}
	for _, u := range m.Equipment {
		if u.From < minutes {
			parts = append(parts, Part{Needs: KindUnit, Equipment: u.Kind, From: u.From, To: minutes})
		}
	}
	return parts
}

// Limits of a visit. MostEquipment is how many kinds of shared equipment one
// visit may need.
const (
	LongestVisit  = 8 * 60 // minutes
	LongestAround = 2 * 60 // minutes of preparation or clean-up
	MostEquipment = 4
	MostWindow    = MostDays
)

func (v *Visit) validate() error {
	if v.Minutes < Grid || v.Minutes > LongestVisit || v.Minutes%Grid != 0 {
		return fmt.Errorf("length %d minutes: want a multiple of %d from %d to %d", v.Minutes, Grid, Grid, LongestVisit)
	}
	if v.LowerBlocks < 0 || v.LowerBlocks > 2 {
		return fmt.Errorf("lower blocks %d: want 0 to 2 sides", v.LowerBlocks)
	}
	if err := v.Window.validate(); err != nil {
		return err
	}
	var equipment []string
	byNeed := map[string][]Part{}
	for _, p := range v.Parts {
		key := p.Needs.String()
		switch {
		case p.Needs > KindUnit:
			return fmt.Errorf("part needs %s: want a room, a clinician, a nurse or equipment", p.Needs)
		case (p.Needs == KindUnit) != (p.Equipment != ""):
			return fmt.Errorf("part of %s: equipment %q, want a kind of equipment for equipment and none for others", p.Needs, p.Equipment)
		case p.From%Grid != 0 || p.To%Grid != 0:
			return fmt.Errorf("part of %s, minutes %d to %d: want multiples of %d", p.Needs, p.From, p.To, Grid)
		case p.To <= p.From:
			return fmt.Errorf("part of %s, minutes %d to %d: want an end after the start", p.Needs, p.From, p.To)
		case p.From < -LongestAround || p.To > v.Minutes+LongestAround:
			return fmt.Errorf("part of %s, minutes %d to %d: want at most %d minutes before the start and after the end", p.Needs, p.From, p.To, LongestAround)
		}
		if p.Needs == KindUnit {
			if !slices.Contains(equipment, p.Equipment) {
				equipment = append(equipment, p.Equipment)
			}
			key += p.Equipment
		}
		for _, o := range byNeed[key] {
			if p.From < o.To && o.From < p.To {
				return fmt.Errorf("parts of %s overlap at minutes %d to %d", p.Needs, max(p.From, o.From), min(p.To, o.To))
			}
		}
		byNeed[key] = append(byNeed[key], p)
	}
	if len(byNeed[KindRoom.String()]) == 0 || len(byNeed[KindClinician.String()]) == 0 {
		return fmt.Errorf("parts: want at least one of a room and one of a clinician")
	}
	if len(equipment) > MostEquipment {
		return fmt.Errorf("parts: %d kinds of equipment, want at most %d", len(equipment), MostEquipment)
	}
	return nil
}

func (w Window) validate() error {
	switch {
	case w.Earliest < 0 || w.Earliest > MostWindow:
		return fmt.Errorf("window: earliest %d days, want 0 to %d", w.Earliest, MostWindow)
	case w.Latest != NoLatest && (w.Latest < w.Earliest || w.Latest > MostWindow):
		return fmt.Errorf("window: latest %d days, want %d (the earliest) to %d, or none", w.Latest, w.Earliest, MostWindow)
	case w.Target != NoTarget && (w.Target < w.Earliest || w.Latest != NoLatest && w.Target > w.Latest || w.Target > MostWindow):
		return fmt.Errorf("window: target %d days, want it from earliest to latest, or none", w.Target)
	}
	return nil
}
