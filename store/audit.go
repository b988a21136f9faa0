package store

import "time"

// AuditEntry is one line of the audit trail. The trail is append-only and each
// entry holds the hash of the one before it in its practice, so that a gap or a
// change shows.
type AuditEntry struct {
	Seq         int64 // from 1 in each practice, without gaps
	Time        time.Time
	Actor       string
	Role        Role
	ActingFor   string
	Method      string
	Resource    string // kind and id, for example "patients/01jd..."
	RequestID   string
	Correlation string
	Outcome     string   // "ok", or the reason of a refusal
	Fields      []string // names of the changed fields, never values
	// Times is how often the same reader read the same record within one batch
	// of read entries; 1 for everything else.
	Times    int
	PrevHash [32]byte
	Hash     [32]byte
}

// AuditQuery lists the trail, newest first.
type AuditQuery struct {
	Resource string // empty: all
	Page     Page
}
