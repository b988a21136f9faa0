package store

import "context"

// Planning is what the planner's service asks of the store. *Store has it on
// both databases; tests wrap it to inject faults.
type Planning interface {
	// GetPractice returns the caller's practice.
	GetPractice(ctx context.Context, call Call) (Practice, error)
	// UpdatePractice changes settings. ErrStaleEtag, ErrInvalid.
	UpdatePractice(ctx context.Context, call Call, change PracticeUpdate) (Practice, error)

	// PutClinician creates a clinician (ID empty) or replaces one (ID and Etag
	// set). ErrNotFound, ErrStaleEtag, ErrExists for a taken external id.
	PutClinician(ctx context.Context, call Call, c Clinician) (Clinician, error)
	GetClinician(ctx context.Context, call Call, id string) (Clinician, error)
	// ListClinicians returns all clinicians by name.
	ListClinicians(ctx context.Context, call Call) ([]Clinician, error)

	// CreatePatient keeps a new patient; ID, Etag and times are set by the
	// store. ErrExists when the reference or an external id is taken.
	CreatePatient(ctx context.Context, call Call, p Patient) (Patient, error)
	UpdatePatient(ctx context.Context, call Call, change PatientUpdate) (Patient, error)
	// GetPatient reads one patient and leaves an entry in the audit trail.
	GetPatient(ctx context.Context, call Call, id string) (Patient, error)
	// SearchPatients returns a page and the cursor of the next, empty at the end.
	SearchPatients(ctx context.Context, call Call, q PatientQuery) ([]Patient, string, error)

	// CreateCase opens a case. ErrNotFound when the patient is not this
	// practice's.
	CreateCase(ctx context.Context, call Call, c Case) (Case, error)
	UpdateCase(ctx context.Context, call Call, change CaseUpdate) (Case, error)
	// CloseCase ends a case with its reason and cancels its bookings that have
	// not begun. ErrWrongState when it is closed already.
	CloseCase(ctx context.Context, call Call, closing CaseClosing) (ClosedCase, error)
	// EndsWithCase lists the appointments that closing a case now, for a reason,
	// would cancel.
	EndsWithCase(ctx context.Context, call Call, id string, reason ClosingReason) ([]string, error)
	GetCase(ctx context.Context, call Call, id string) (Case, error)
	ListCases(ctx context.Context, call Call, q CaseQuery) ([]Case, string, error)

	// SaveAssessment keeps the next version. ErrStaleEtag when Base is not the latest.
	SaveAssessment(ctx context.Context, call Call, a NewAssessment) (Assessment, error)
	// GetAssessment returns one version; 0 means the latest.
	GetAssessment(ctx context.Context, call Call, caseID string, version int) (Assessment, error)

	// SavePlanRevision keeps the next revision. ErrStaleEtag when Base is not
	// the latest; ErrWrongState when the case is closed.
	SavePlanRevision(ctx context.Context, call Call, r NewPlanRevision) (PlanRevision, error)
	// GetPlanRevision returns one revision; 0 means the latest.
	GetPlanRevision(ctx context.Context, call Call, caseID string, revision int) (PlanRevision, error)
	// ListPlanRevisions returns a case's revisions, newest first, without their
	// documents.
	ListPlanRevisions(ctx context.Context, call Call, caseID string, page Page) ([]PlanRevision, string, error)
	// AcceptOption keeps a clinician's acceptance of an option of the latest
	// revision. ErrStaleEtag when a later revision exists, ErrNotFound when the
	// revision has no such option.
	AcceptOption(ctx context.Context, call Call, a NewAcceptance) (Acceptance, error)

	// ListAudit returns the practice's audit trail, newest first.
	ListAudit(ctx context.Context, call Call, q AuditQuery) ([]AuditEntry, string, error)
	// VerifyAudit walks the whole trail and returns the first entry whose hash
	// does not follow from the one before it; nil when the trail is whole.
	VerifyAudit(ctx context.Context, call Call) (*AuditEntry, error)
	// RecordRefusal leaves an entry for a call that was refused before it
	// reached the store, for example for lack of rights.
	RecordRefusal(ctx context.Context, call Call, resource, reason string) error
}

// Diary is what the diary's service asks of the store.
type Diary interface {
	// PutResource creates (ID empty) or replaces (ID and Etag set) a room, a
	// nurse or a unit of equipment.
	PutResource(ctx context.Context, call Call, r Resource) (Resource, error)
	// PutHours replaces all hours of one owner. ErrInvalid when two rules of
	// one day and week overlap, ErrStaleEtag.
	PutHours(ctx context.Context, call Call, h Hours) (Hours, error)
	// PutAbsence creates (ID empty) or replaces (ID and Etag set) an absence or,
	// with an empty owner, a closure.
	PutAbsence(ctx context.Context, call Call, a Absence) (Absence, error)
	DeleteAbsence(ctx context.Context, call Call, id string) error
	// ReadSetup returns resources, hours and absences of one snapshot.
	ReadSetup(ctx context.Context, call Call) (DiarySetup, error)
	// ReadDays returns the masks of the UTC days from..to (inclusive) that
	// changed after version since, in one snapshot with the diary's version.
	// Provisional bookings past their time are ended first.
	ReadDays(ctx context.Context, call Call, from, to, since int64) (DiaryDays, error)

	// BookOffer books all visits or none. *Taken when a resource is in use,
	// by one of ours or by an appointment taken in from elsewhere.
	BookOffer(ctx context.Context, call Call, b NewBooking) (Booking, error)
	// ConfirmBooking makes a provisional booking firm. ErrExpired when its time
	// is past, ErrWrongState when it is not provisional.
	ConfirmBooking(ctx context.Context, call Call, bookingID string) (Booking, error)
	// MoveAppointment puts a provisional or booked appointment elsewhere.
	MoveAppointment(ctx context.Context, call Call, m Move) (Appointment, error)
	// RepairAppointments makes several moves and cancellations, all or none.
	RepairAppointments(ctx context.Context, call Call, r Repair) ([]Appointment, error)
	// ChangeAppointment takes one appointment to its next state.
	ChangeAppointment(ctx context.Context, call Call, c StateChange) (Appointment, error)
	// TakeIn keeps what another system sends, item by item: an item that is
	// refused harms no other, the rest is kept in one transaction.
	TakeIn(ctx context.Context, call Call, items []ExternalAppointment) ([]TakenIn, error)

	GetAppointment(ctx context.Context, call Call, id string) (Appointment, error)
	GetBooking(ctx context.Context, call Call, id string) (Booking, error)
	ListAppointments(ctx context.Context, call Call, q AppointmentQuery) ([]Appointment, string, error)

	// ReadChanges returns at most limit changes after seq, in order. ErrExpired
	// when changes after seq have been removed already.
	ReadChanges(ctx context.Context, call Call, after int64, limit int) ([]Change, error)
	// LastChange returns the newest Seq of the practice, 0 when there is none.
	LastChange(ctx context.Context, call Call) (int64, error)
	// Wake returns a channel that receives whenever the practice's change log
	// may have grown, and a function that ends it. It is a hint: the log is the
	// truth, and a reader also looks from time to time on its own.
	Wake(practice string) (<-chan struct{}, func())

	// EndExpired ends provisional bookings past their time and releases "if
	// needed" ones past theirs, in all practices, at most limit. It returns how many.
	EndExpired(ctx context.Context, limit int) (int, error)
}
