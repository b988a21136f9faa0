// Package fault is the one way from what went wrong to what a client is told.
//
// A Fault is an error that is meant for the client: a status code, a reason
// from the published catalogue, a sentence, and the google.rpc details that
// belong to it. Whatever is not a Fault, and is not known to FromStore, becomes
// an internal error whose text stays here.
//
// No Fault holds a value that a client sent or that the store keeps: names of
// fields, ids and limits only.
package fault

import (
	"maps"
	"strings"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/protoadapt"
	"google.golang.org/protobuf/types/known/durationpb"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// Domain is the domain of every ErrorInfo.
const Domain = "visitwright"

// Field says what is wrong with one field and what would be right.
type Field struct {
	Path string // as in the request, "case.tooth.iso"
	Want string // "an ISO 3950 code, 11 to 48"
}

// Fault is an error for the client. Its zero value is not valid; use the
// constructors.
type Fault struct {
	Code   codes.Code
	Reason vw.ErrorReason
	Text   string // one sentence; no values
	Fields []Field
	// Resource is the name of the resource that is missing or stands in the
	// way; its kind is the collection in the name.
	Resource string
	// Metadata goes with the reason; ids and limits only.
	Metadata map[string]string
	// RetryAfter tells when the same call makes sense again; 0 says nothing.
	RetryAfter time.Duration

	cause error
}

// Error is the sentence with its reason.
func (f *Fault) Error() string { return ReasonName(f.Reason) + ": " + f.Text }

// Unwrap returns what caused the fault, for errors.Is inside the program; it
// never reaches the client.
func (f *Fault) Unwrap() error { return f.cause }

// Because keeps the cause for the program's own use.
func (f *Fault) Because(cause error) *Fault {
	f.cause = cause
	return f
}

// With adds one entry of metadata.
func (f *Fault) With(key, value string) *Fault {
	f.Metadata = maps.Clone(f.Metadata)
	if f.Metadata == nil {
		f.Metadata = map[string]string{}
	}
	f.Metadata[key] = value
	return f
}

// Under puts a path before every field, for a message inside another.
func (f *Fault) Under(prefix string) *Fault {
	fields := make([]Field, len(f.Fields))
	for i, field := range f.Fields {
		fields[i] = Field{Path: join(prefix, field.Path), Want: field.Want}
	}
	f.Fields = fields
	return f
}

func join(prefix, path string) string {
	if prefix == "" || path == "" || path[0] == '[' {
		return prefix + path
	}
	return prefix + "." + path
}

// ReasonName is a reason as it stands in ErrorInfo, without its prefix.
func ReasonName(r vw.ErrorReason) string { return strings.TrimPrefix(r.String(), "ERROR_REASON_") }

// GRPCStatus is what goes over the wire.
func (f *Fault) GRPCStatus() *status.Status {
	details := []protoadapt.MessageV1{&errdetails.ErrorInfo{Reason: ReasonName(f.Reason), Domain: Domain, Metadata: f.Metadata}}
	if len(f.Fields) > 0 {
		bad := &errdetails.BadRequest{}
		for _, field := range f.Fields {
			bad.FieldViolations = append(bad.FieldViolations,
				&errdetails.BadRequest_FieldViolation{Field: field.Path, Description: field.Want, Reason: ReasonName(f.Reason)})
		}
		details = append(details, bad)
	}
	if f.Code == codes.FailedPrecondition {
		details = append(details, &errdetails.PreconditionFailure{Violations: []*errdetails.PreconditionFailure_Violation{
			{Type: ReasonName(f.Reason), Subject: f.Resource, Description: f.Text}}})
	}
	if f.Resource != "" && f.Code != codes.FailedPrecondition {
		details = append(details, &errdetails.ResourceInfo{ResourceType: kindOf(f.Resource), ResourceName: f.Resource})
	}
	if f.RetryAfter > 0 {
		details = append(details, &errdetails.RetryInfo{RetryDelay: durationpb.New(f.RetryAfter)})
	}
	s, err := status.New(f.Code, f.Text).WithDetails(details...)
	if err != nil {
		// Only a code of OK or a detail that is not UTF-8 gets here.
		return status.New(codes.Internal, "internal error")
	}
	return s
}

// kindOf is the collection of a resource name: "cases" in
// "practices/p/cases/c", "plans" in "practices/p/cases/c/plans/1".
func kindOf(name string) string {
	parts := strings.Split(name, "/")
	if len(parts)%2 == 1 { // a singleton such as practices/p/settings
		return parts[len(parts)-1]
	}
	if len(parts) < 2 {
		return ""
	}
	return parts[len(parts)-2]
}

// Invalid says that one field is not as it should be.
func Invalid(reason vw.ErrorReason, path, want string) *Fault {
	return &Fault{Code: codes.InvalidArgument, Reason: reason, Text: path + ": want " + want, Fields: []Field{{path, want}}}
}

// InvalidFields says that several fields are not as they should be.
func InvalidFields(reason vw.ErrorReason, text string, fields ...Field) *Fault {
	return &Fault{Code: codes.InvalidArgument, Reason: reason, Text: text, Fields: fields}
}

// NotFound says that a resource is not there, or is another practice's.
func NotFound(reason vw.ErrorReason, name string) *Fault {
	return &Fault{Code: codes.NotFound, Reason: reason, Text: "there is no " + said(name) + " in this practice", Resource: name}
}

// nouns are what people call the resources of each collection.
var nouns = map[string]string{
	"patients": "patient", "cases": "case", "assessments": "assessment", "plans": "plan", "visits": "visit", "clinicians": "clinician",
	"resources": "room, nurse or equipment", "absences": "absence or closure", "appointments": "appointment", "bookings": "booking",
	"shortNoticeEntries": "entry of the short-notice list", "messages": "message", "calendarFeeds": "calendar feed", "catalogues": "catalogue",
}

// said is a resource as a person would say it, to be read aloud: what it is,
// then the end of its name.
func said(name string) string {
	noun, known := nouns[kindOf(name)]
	if !known {
		return "such resource"
	}
	return noun + " " + name[strings.LastIndexByte(name, '/')+1:]
}

// Exists says that something with this name or identifier is there already.
func Exists(reason vw.ErrorReason, path, text string) *Fault {
	return &Fault{Code: codes.AlreadyExists, Reason: reason, Text: text, Fields: []Field{{path, text}}}
}

// Stale says that somebody else was faster.
func Stale(reason vw.ErrorReason, name, text string) *Fault {
	return &Fault{Code: codes.Aborted, Reason: reason, Text: text, Resource: name}
}

// State says that a resource is not in a state for this, and which it would
// have to be in.
func State(reason vw.ErrorReason, name, text string) *Fault {
	return &Fault{Code: codes.FailedPrecondition, Reason: reason, Text: text, Resource: name}
}

// Denied says that the caller may not.
func Denied(reason vw.ErrorReason, text string) *Fault {
	return &Fault{Code: codes.PermissionDenied, Reason: reason, Text: text}
}
