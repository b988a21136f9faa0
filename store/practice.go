package store

import "time"

// Practice is one practice. Everything else belongs to one.
type Practice struct {
	ID   string
	Name string // the practice's own name, shown to its staff
	Zone string // IANA zone, for example "Europe/Vienna"
	// Notation is how teeth are shown: "iso", "universal" or "quadrant".
	Notation string
	// Settings is the practice's settings document, JSON, opaque to the store.
	Settings   []byte
	Etag       string
	CreateTime time.Time
	UpdateTime time.Time
}

// PracticeUpdate names what to change; nil leaves a field as it is.
type PracticeUpdate struct {
	Etag     string // required
	Name     *string
	Zone     *string
	Notation *string
	Settings []byte // nil leaves it
	// Carrier, when set, says who sends the practice's messages: CarrierHouse or
	// CarrierIntegration. The settings document says the same to people.
	Carrier *string
}

// Who sends a practice's messages.
const (
	CarrierHouse       = "house"
	CarrierIntegration = "integration"
)

// Clinician is a person who treats.
type Clinician struct {
	ID   string
	Name string // shown to the practice's staff
	// Protocols lists the catalogue ids of what this clinician does; empty
	// means all.
	Protocols   []string
	Settings    []byte // JSON document, opaque: own medians, "consider referral" shown or not
	ExternalIDs []ExternalID
	Active      bool
	Etag        string
	CreateTime  time.Time
	UpdateTime  time.Time
}

// Token is what is kept about an access token: never the token itself.
type Token struct {
	ID       string // the public half of the token; finds the row
	Practice string
	Role     Role
	Label    string // what the practice calls it, for example "front desk"
	// Clinician is the clinician whom a clinician's token stands for; may be empty.
	Clinician  string
	Hash       [32]byte  // SHA-256 of the secret half
	ExpireTime time.Time // zero: does not expire
	RevokeTime time.Time // zero: in force
	CreateTime time.Time
}
