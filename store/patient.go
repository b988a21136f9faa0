package store

import "time"

// Contact is what the practice chooses to add about a person. It is sealed at
// rest (AES-256-GCM, bound to the practice and the patient) and appears in no
// log line and in no error.
type Contact struct {
	Label    string    `json:"label,omitempty"`   // name or initials as the practice likes
	Phone    string    `json:"phone,omitempty"`   // as dialled
	Address  string    `json:"address,omitempty"` // for messages the patient consented to
	Guardian *Guardian `json:"guardian,omitempty"`
}

// Guardian is who answers for a patient that cannot.
type Guardian struct {
	Label    string `json:"label,omitempty"`
	Relation string `json:"relation,omitempty"`
	Phone    string `json:"phone,omitempty"`
	Address  string `json:"address,omitempty"`
}

// Alert is one structured alert, for example kind "latex".
type Alert struct {
	Kind   string `json:"kind"`             // catalogue id
	Detail string `json:"detail,omitempty"` // catalogue value, for example a substance
	Since  string `json:"since,omitempty"`  // calendar day, may be empty
	Until  string `json:"until,omitempty"`  // calendar day, may be empty
	Note   string `json:"note,omitempty"`   // free text; sealed with the contact
}

// Patient is a patient by the practice's own reference.
type Patient struct {
	ID        string
	Reference string // the practice's own, unique in it, 1 to 64 characters
	Contact   Contact
	// WeightGrams is the body weight; 0 means not known.
	WeightGrams int
	BirthYear   int // 0 means not known
	Alerts      []Alert
	// Consents for messages and other extras, opaque to the store.
	Document    []byte
	ExternalIDs []ExternalID
	Etag        string
	CreateTime  time.Time
	UpdateTime  time.Time
}

// PatientUpdate names what to change; nil leaves a field as it is.
type PatientUpdate struct {
	ID          string
	Etag        string // required
	Reference   *string
	Contact     *Contact
	WeightGrams *int
	BirthYear   *int
	Alerts      *[]Alert
	Document    *[]byte
	ExternalIDs *[]ExternalID
}

// PatientQuery searches patients. At most one of the fields is set; none lists
// all by reference.
type PatientQuery struct {
	// Reference matches the beginning, without regard to case.
	Reference string
	// Label matches whole words, or the first three to six letters of a word,
	// without regard to case and accents, through a keyed index.
	Label string
	// Phone matches the digits of the whole number, or its last six.
	Phone    string
	External ExternalID
	// IDs are the patients themselves; those that do not exist are left out.
	IDs  []string
	Page Page
}
