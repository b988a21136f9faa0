package store

import "time"

// ResourceKind is a kind of thing or person of which a booking holds one at a
// time.
type ResourceKind string

// The kinds of resource.
const (
	KindRoom      ResourceKind = "room"
	KindClinician ResourceKind = "clinician"
	KindNurse     ResourceKind = "nurse"
	KindEquipment ResourceKind = "equipment" // one unit, for example one microscope
	KindPatient   ResourceKind = "patient"
)

// ResourceRef names one resource. Kind "" with ID "" stands for the whole
// practice where a field says so.
type ResourceRef struct {
	Kind ResourceKind `json:"kind,omitempty"`
	ID   string       `json:"id,omitempty"`
}

// Resource is a room, a nurse or a unit of equipment. Clinicians have their
// own record, and are resources of the diary under their id.
type Resource struct {
	ResourceRef
	Name string
	// Class groups interchangeable units, for example "microscope". Equipment only.
	Class string
	// Rooms lists the rooms that this unit serves; empty: all. Equipment only.
	Rooms []string
	// PreparationMinutes and CleanUpMinutes are held before and after each
	// appointment, 0 to 120. Rooms only.
	PreparationMinutes int
	CleanUpMinutes     int
	Active             bool
	ExternalIDs        []ExternalID
	Document           []byte // extras of the caller, opaque
	Etag               string
	CreateTime         time.Time
	UpdateTime         time.Time
}

// HoursRule is one span of working time on one weekday. Several make a day;
// a break is the gap between two.
type HoursRule struct {
	// Weekday is ISO 8601: 1 Monday to 7 Sunday.
	Weekday int
	// StartMinute and EndMinute are minutes of the local day, 0 <= start < end <= 1440.
	StartMinute int
	EndMinute   int
	// EveryWeeks is the cycle, 1 to 8; InWeek, 0 to EveryWeeks-1, the week of
	// the cycle, counted in ISO weeks from the Monday 1970-01-05.
	EveryWeeks int
	InWeek     int
	// From and To bound the rule in calendar days, inclusive; empty: unbounded.
	From string
	To   string
}

// Hours are all the rules of one owner, replaced together.
type Hours struct {
	// Owner is a clinician, a nurse, a room, a unit, or empty for the whole
	// practice. An owner without rules keeps the practice's hours.
	Owner ResourceRef
	Rules []HoursRule
	Etag  string // empty when there were none yet
}

// Absence takes its owner out of the diary. With an empty owner it closes the
// practice. Days and minutes are local.
type Absence struct {
	ID         string
	Owner      ResourceRef
	FromDay    string // calendar day
	FromMin    int    // minute of FromDay at which it begins, 0 to 1439
	ToDay      string // calendar day, not before FromDay
	ToMin      int    // minute of ToDay at which it ends, exclusive, 1 to 1440
	Kind       string // catalogue id, for example "holiday", "leave", "repair"
	Note       string
	Etag       string
	CreateTime time.Time
}

// DiarySetup is everything but the appointments: what the diary needs to know
// when who and what can be booked.
type DiarySetup struct {
	Version    int64 // grows with every change of setup
	Practice   Practice
	Clinicians []Clinician
	Resources  []Resource // rooms, nurses, equipment
	Hours      []Hours
	Absences   []Absence
}
