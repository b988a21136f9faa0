package store

import "time"

// Change is one line of a practice's change log. Seq grows without gaps in the
// order in which the changes became visible, on every replica the same.
type Change struct {
	Seq      int64
	Time     time.Time
	Kind     string // for example "appointment.booked", "setup.changed", "case.closed"
	Resource string // kind and id, for example "appointments/01jd..."
	Etag     string // of the record after the change; may be empty
	Actor    string
}

// DiaryDay is the occupied time of one UTC day: for each resource a mask of
// CellsPerDay five-minute cells from 00:00 UTC, bit i of byte i/8 counted from
// the lowest, set when an appointment holds the resource in any part of the cell.
type DiaryDay struct {
	Day     int64 // days since 1970-01-01, UTC
	Version int64 // diary version of its last change
	Masks   map[ResourceRef]Mask
}

// CellMinutes is the length of one cell of a mask; CellsPerDay their number.
const (
	CellMinutes = 5
	CellsPerDay = 24 * 60 / CellMinutes
)

// Mask is one UTC day of one resource.
type Mask [CellsPerDay / 8]byte

// Busy reports whether cell i, 0 to CellsPerDay-1, is occupied.
func (m *Mask) Busy(i int) bool { return m[i>>3]&(1<<(i&7)) != 0 }

// DiaryDays is a consistent view of the masks: all of one snapshot.
type DiaryDays struct {
	// Version is the diary's version in that snapshot, SetupVersion the setup's.
	Version      int64
	SetupVersion int64
	Days         []DiaryDay // those with a version above the one asked for
}
