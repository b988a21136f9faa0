package fault

import (
	"context"
	"errors"
	"strings"
	"time"

	"google.golang.org/grpc/codes"

	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

// storeRetry is how long a client should wait for a database that is busy.
const storeRetry = time.Second

// missing gives the reason for a resource of each collection that is not
// there.
var missing = map[string]vw.ErrorReason{
	"practices":          vw.ErrorReason_ERROR_REASON_PRACTICE_NOT_FOUND,
	"patients":           vw.ErrorReason_ERROR_REASON_PATIENT_NOT_FOUND,
	"cases":              vw.ErrorReason_ERROR_REASON_CASE_NOT_FOUND,
	"assessments":        vw.ErrorReason_ERROR_REASON_ASSESSMENT_NOT_FOUND,
	"plans":              vw.ErrorReason_ERROR_REASON_PLAN_NOT_FOUND,
	"options":            vw.ErrorReason_ERROR_REASON_OPTION_NOT_FOUND,
	"clinicians":         vw.ErrorReason_ERROR_REASON_CLINICIAN_NOT_FOUND,
	"resources":          vw.ErrorReason_ERROR_REASON_RESOURCE_NOT_FOUND,
	"absences":           vw.ErrorReason_ERROR_REASON_ABSENCE_NOT_FOUND,
	"bookings":           vw.ErrorReason_ERROR_REASON_BOOKING_NOT_FOUND,
	"appointments":       vw.ErrorReason_ERROR_REASON_APPOINTMENT_NOT_FOUND,
	"shortNoticeEntries": vw.ErrorReason_ERROR_REASON_SHORT_NOTICE_ENTRY_NOT_FOUND,
	"messages":           vw.ErrorReason_ERROR_REASON_MESSAGE_NOT_FOUND,
	"calendarFeeds":      vw.ErrorReason_ERROR_REASON_CALENDAR_FEED_NOT_FOUND,
	"people":             vw.ErrorReason_ERROR_REASON_PERSON_NOT_FOUND,
}

// FromStore turns an error of the store into a Fault. An error that it does
// not know, nil included, comes back as it is: the server then answers
// INTERNAL and hides the text.
//
// practice is the caller's practice; paths says where in the request the
// store's fields stand ("reference" -> "patient.reference"), and may be nil.
func FromStore(err error, practice string, paths Paths) error {
	if err == nil {
		return nil
	}
	if known := (*Fault)(nil); errors.As(err, &known) {
		return err
	}
	var problem *store.Problem
	if !errors.As(err, &problem) {
		problem = &store.Problem{}
	}
	name := fullName(practice, problem.Resource)
	path := paths.Of(problem.Field)
	var taken *store.Taken
	switch {
	case errors.As(err, &taken):
		f := Stale(vw.ErrorReason_ERROR_REASON_PLACE_TAKEN, "", TakenText(taken.Kind))
		if taken.Resource != "" {
			f = f.With("resource", resourceName(practice, taken.Kind, taken.Resource))
		}
		return f.Because(err)
	case errors.Is(err, store.ErrNotFound):
		kind, _, _ := strings.Cut(problem.Resource, "/")
		if name != "" {
			kind = kindOf(name)
		}
		reason, ok := missing[kind]
		if problem.Field == "option" {
			reason = vw.ErrorReason_ERROR_REASON_OPTION_NOT_FOUND
		}
		if !ok {
			return err
		}
		if name == "" {
			name = kind
		}
		return NotFound(reason, name).Because(err)
	case errors.Is(err, store.ErrStaleEtag):
		return Stale(vw.ErrorReason_ERROR_REASON_ETAG_MISMATCH, name, "changed by somebody else since it was read: read it again and repeat the change").Because(err)
	case errors.Is(err, store.ErrRequestIDReused):
		return Invalid(vw.ErrorReason_ERROR_REASON_REQUEST_ID_REUSED, "request_id", "a new id: this one was used for another request").Because(err)
	case errors.Is(err, store.ErrExists):
		return exists(problem.Field, path).Because(err)
	case errors.Is(err, store.ErrInvalid):
		want := problem.Want
		if want == "" {
			want = "another value"
		}
		if path == "" {
			return err
		}
		if problem.Field == "page" {
			return Invalid(vw.ErrorReason_ERROR_REASON_INVALID_PAGE_TOKEN, "page_token", "next_page_token of the page before").Because(err)
		}
		return Invalid(vw.ErrorReason_ERROR_REASON_INVALID_FIELD, path, want).Because(err)
	case errors.Is(err, store.ErrWrongState):
		return wrongState(name, problem.Want).Because(err)
	case errors.Is(err, store.ErrExpired):
		if strings.HasPrefix(problem.Resource, "bookings/") || strings.HasPrefix(problem.Resource, "appointments/") {
			return State(vw.ErrorReason_ERROR_REASON_PROVISIONAL_EXPIRED, name, "the provisional booking has run out: look for places anew").Because(err)
		}
		return (&Fault{Code: codes.OutOfRange, Reason: vw.ErrorReason_ERROR_REASON_WATCH_TOKEN_EXPIRED,
			Text: "the resume token is older than what is kept: read the diary and watch anew"}).Because(err)
	case errors.Is(err, context.DeadlineExceeded):
		return (&Fault{Code: codes.DeadlineExceeded, Reason: vw.ErrorReason_ERROR_REASON_DEADLINE_PASSED,
			Text: "the time ran out; repeat a write with the same request id"}).Because(err)
	case errors.Is(err, context.Canceled):
		return (&Fault{Code: codes.Canceled, Reason: vw.ErrorReason_ERROR_REASON_CANCELLED_BY_CLIENT, Text: "the caller gave up"}).Because(err)
	case errors.Is(err, store.ErrBusy):
		return (&Fault{Code: codes.Aborted, Reason: vw.ErrorReason_ERROR_REASON_CONCURRENT_CHANGE,
			Text: "the database gave way to other changes and kept nothing; try again", RetryAfter: storeRetry}).Because(err)
	case errors.Is(err, store.ErrUnavailable):
		return (&Fault{Code: codes.Unavailable, Reason: vw.ErrorReason_ERROR_REASON_STORE_UNAVAILABLE,
			Text: "the database does not answer at the moment; try again with the same request id", RetryAfter: storeRetry}).Because(err)
	}
	return err
}

func exists(field, path string) *Fault {
	switch field {
	case "reference":
		return Exists(vw.ErrorReason_ERROR_REASON_PATIENT_REFERENCE_TAKEN, path, "a reference that no other patient of the practice has")
	case "sign_in_name":
		return Exists(vw.ErrorReason_ERROR_REASON_SIGN_IN_NAME_TAKEN, path, "a name that no other person of the practice has")
	case "external_ids", "external_id", "key":
		return Exists(vw.ErrorReason_ERROR_REASON_EXTERNAL_IDENTIFIER_TAKEN, path, "an identifier that no other record of this kind has")
	}
	if path == "" {
		path = "name"
	}
	return Exists(vw.ErrorReason_ERROR_REASON_RESOURCE_TAKEN, path, "a name that is not taken")
}

func wrongState(name, want string) *Fault {
	if want == "" {
		want = "another state"
	}
	reason := vw.ErrorReason_ERROR_REASON_WRONG_BOOKING_STATE
	switch kindOf(name) {
	case "cases", "plans":
		reason = vw.ErrorReason_ERROR_REASON_CASE_CLOSED
	case "practices": // as a whole it is never in a wrong state, only full
		reason = vw.ErrorReason_ERROR_REASON_LIMIT_REACHED
	}
	return State(reason, name, "this needs "+want)
}

// TakenText says, to be read to a patient on the telephone, that a place is not
// free any more, and what stands in the way when it is known.
func TakenText(kind store.ResourceKind) string {
	switch kind {
	case store.KindPatient:
		return "the patient has another appointment at that time: nothing was booked; choose another time, or move that appointment first"
	case store.KindClinician, store.KindRoom, store.KindNurse:
		return "the " + string(kind) + " is no longer free at that time, somebody else was faster: nothing was booked; choose another time"
	case "":
		return "that time is no longer free, somebody else was faster: nothing was booked; choose another time"
	}
	return "the equipment is no longer free at that time, somebody else was faster: nothing was booked; choose another time"
}

// fullName turns the store's "cases/c" into the contract's
// "practices/p/cases/c"; "" when it does not have that form.
func fullName(practice, resource string) string {
	if resource == "" || practice == "" {
		return ""
	}
	if strings.HasPrefix(resource, "practices/") {
		return resource
	}
	// What the store calls revisions, the contract calls plans.
	resource = strings.Replace(resource+"/", "/revisions/", "/plans/", 1)
	parts := strings.Split(strings.TrimSuffix(resource, "/"), "/")
	if len(parts)%2 == 1 { // a collection as a whole: its owner is what changed
		parts = parts[:len(parts)-1]
	}
	for i := 1; i < len(parts); i += 2 {
		if !names.ValidID(parts[i]) {
			return ""
		}
	}
	if len(parts) == 0 {
		return ""
	}
	return names.Practice(practice) + "/" + strings.Join(parts, "/")
}

func resourceName(practice string, kind store.ResourceKind, id string) string {
	if !names.ValidID(id) {
		return ""
	}
	switch kind {
	case store.KindClinician:
		return names.Clinician(practice, id)
	case store.KindPatient:
		return names.Patient(practice, id)
	default:
		return names.Resource(practice, id)
	}
}
