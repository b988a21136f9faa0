package store

import "time"

// AppointmentState is where an appointment stands.
type AppointmentState string

// The states of an appointment. Provisional, booked, arrived, in the chair and
// left hold their resources; the others hold nothing.
const (
	StateProvisional  AppointmentState = "provisional"
	StateBooked       AppointmentState = "booked"
	StateArrived      AppointmentState = "arrived"
	StateInChair      AppointmentState = "in_chair"
	StateLeft         AppointmentState = "left"
	StateDidNotAttend AppointmentState = "did_not_attend"
	StateCancelled    AppointmentState = "cancelled"
	StateExpired      AppointmentState = "expired"  // a provisional one past its time
	StateReleased     AppointmentState = "released" // an "if needed" one that was not
)

// Span is the time for which an appointment holds one resource.
type Span struct {
	ResourceRef
	Start time.Time // UTC, whole minutes
	End   time.Time // exclusive; at most MaxSpan after Start
}

// MaxSpan is the longest time for which an appointment may hold a resource.
const MaxSpan = 24 * time.Hour

// Origins of an appointment.
const (
	OriginOwn      = "own"
	OriginExternal = "external" // taken in from another system, which stays its master
)

// VisitOf says which planned visit of which case an appointment is for.
type VisitOf struct {
	CaseID   string `json:"case"`
	Revision int    `json:"revision,omitempty"` // plan revision that gave the length; 0: none
	Option   string `json:"option,omitempty"`
	Visit    int    `json:"visit,omitempty"` // from 1
}

// Override is a clinician's decision to book outside a clinical window.
type Override struct {
	Clinician string `json:"clinician"`
	Reason    string `json:"reason"`
}

// Appointment is one place in the diary.
type Appointment struct {
	ID string
	// Booking joins the appointments that were booked together.
	Booking   string
	Origin    string     // OriginOwn or OriginExternal
	External  ExternalID // key in the other system; set when Origin is external
	PatientID string     // may be empty when external
	Cases     []VisitOf  // several teeth of one patient may share a visit
	State     AppointmentState
	Start     time.Time
	End       time.Time
	// Zone, Local and ZoneVersion keep what was meant: the practice's IANA
	// zone, the local start "2006-01-02T15:04", the zone database's version.
	Zone        string
	Local       string
	ZoneVersion string
	Spans       []Span
	// HoldUntil ends a provisional appointment.
	HoldUntil time.Time
	// IfNeeded: released by itself at ReleaseTime unless it was confirmed as needed.
	IfNeeded    bool
	ReleaseTime time.Time
	Override    *Override
	Reason      string // catalogue id: why it was cancelled or moved
	LateMinutes int
	ArriveTime  time.Time
	ChairTime   time.Time
	LeaveTime   time.Time
	// Sequence grows with every change that a calendar must hear of (RFC 5545).
	Sequence int
	Document []byte // extras of the caller, opaque
	// Conflicts lists the appointments that hold one of its resources at the
	// same time. Only appointments taken in from elsewhere can have any.
	Conflicts  []string
	Etag       string
	CreateTime time.Time
	UpdateTime time.Time
}

// Place is where and when one visit is put.
type Place struct {
	Start       time.Time
	End         time.Time
	Zone        string
	Local       string
	ZoneVersion string
	// Spans of room, clinician, nurse and equipment. The patient's own span,
	// Start to End, is added by the store.
	Spans []Span
}

// NewVisit is one visit of a booking.
type NewVisit struct {
	Place
	Cases       []VisitOf
	IfNeeded    bool
	ReleaseTime time.Time // required with IfNeeded
	Override    *Override
	Document    []byte
}

// NewBooking books the places of an offer together, all or none.
type NewBooking struct {
	PatientID string
	Visits    []NewVisit // 1 to 16, by start
	// HoldFor makes the booking provisional for that long, 1 minute to 7 days,
	// by the store's clock, but not beyond the beginning of the first visit; 0
	// books firmly.
	HoldFor time.Duration
	// SetupVersion is that of the hours, absences and resources by which the
	// places were checked; another one by now gives ErrSetupChanged. 0 does not
	// check.
	SetupVersion int64
}

// Booking is what was booked together.
type Booking struct {
	ID           string
	Appointments []Appointment // by start
}

// Move puts one appointment elsewhere. State and cases stay.
type Move struct {
	ID    string
	Etag  string // required
	Place Place
	// ReleaseTime is when an appointment booked if needed lets its new place go;
	// the zero time leaves it as it is.
	ReleaseTime time.Time
	Override    *Override
	Reason      string // catalogue id
}

// Repair makes several moves and cancellations one action, all or none.
type Repair struct {
	Moves   []Move
	Cancels []StateChange
	// SetupVersion is as in NewBooking.
	SetupVersion int64
}

// StateChange takes an appointment to its next state.
type StateChange struct {
	ID   string
	Etag string // empty does not check
	// To is one of booked (confirms; also takes back "did not attend"),
	// arrived, in_chair, left, did_not_attend, cancelled, released.
	To          AppointmentState
	Reason      string // catalogue id; required for cancelled
	LateMinutes int    // with arrived or in_chair: minutes lost, 0 to 600
}

// ExternalAppointment is an appointment as another system sends it.
type ExternalAppointment struct {
	Key         ExternalID // required; the same key again changes the same appointment
	PatientID   string     // may be empty
	Start       time.Time
	End         time.Time
	Zone        string
	Local       string
	ZoneVersion string
	Spans       []Span // who and what it occupies; may be empty
	Cancelled   bool
	Document    []byte
}

// TakenIn is what became of one ExternalAppointment.
type TakenIn struct {
	Key     ExternalID
	ID      string
	Outcome TakeOutcome
	// Problem is set when the outcome is refused; it names the field.
	Problem error
}

// TakeOutcome is what became of an appointment from elsewhere.
type TakeOutcome string

// The outcomes of taking in.
const (
	TakeCreated   TakeOutcome = "created"
	TakeChanged   TakeOutcome = "changed"
	TakeUnchanged TakeOutcome = "unchanged"
	TakeCancelled TakeOutcome = "cancelled"
	TakeRefused   TakeOutcome = "refused"
)

// MaxTakeIn is the most appointments that one TakeIn accepts. A longer stream
// is taken in by several.
const MaxTakeIn = 2000

// AppointmentQuery lists appointments by start. Range is required, at most
// MaxRange; the other fields narrow it.
type AppointmentQuery struct {
	From      time.Time
	To        time.Time   // exclusive
	Resource  ResourceRef // empty: all
	PatientID string
	CaseID    string
	// All includes cancelled, expired, released and not attended ones.
	All  bool
	Page Page
}

// MaxRange is the longest range of one diary query.
const MaxRange = 400 * 24 * time.Hour
