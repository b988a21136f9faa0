package fault_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/encoding/prototext"

	"github.com/visitwright/visitwright/proto/fault"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

func details[T any](t *testing.T, err error) T {
	t.Helper()
	for _, d := range status.Convert(err).Details() {
		if want, ok := d.(T); ok {
			return want
		}
	}
	var zero T
	t.Fatalf("%v carries no %T", err, zero)
	return zero
}

func TestEveryFaultCarriesItsReasonAndItsDomain(t *testing.T) {
	for _, f := range []*fault.Fault{
		fault.Invalid(vw.ErrorReason_ERROR_REASON_UNKNOWN_TOOTH, "case.tooth.iso", "an ISO 3950 code, 11 to 48"),
		fault.NotFound(vw.ErrorReason_ERROR_REASON_CASE_NOT_FOUND, "practices/p/cases/c"),
		fault.Exists(vw.ErrorReason_ERROR_REASON_PATIENT_REFERENCE_TAKEN, "patient.reference", "another reference"),
		fault.Stale(vw.ErrorReason_ERROR_REASON_ETAG_MISMATCH, "practices/p/cases/c", "read it again"),
		fault.State(vw.ErrorReason_ERROR_REASON_CASE_CLOSED, "practices/p/cases/c", "want an open case"),
		fault.Denied(vw.ErrorReason_ERROR_REASON_CLINICIAN_REQUIRED, "a clinician decides this"),
	} {
		info := details[*errdetails.ErrorInfo](t, f)
		if info.GetDomain() != "visitwright" || "ERROR_REASON_"+info.GetReason() != f.Reason.String() {
			t.Errorf("%v carries %v", f, info)
		}
		if got := status.Code(f); got != f.Code {
			t.Errorf("%v has the code %v, want %v", f, got, f.Code)
		}
	}
}

func TestABadFieldIsNamedWithWhatWouldBeRight(t *testing.T) {
	err := fault.Invalid(vw.ErrorReason_ERROR_REASON_UNKNOWN_TOOTH, "tooth.iso", "an ISO 3950 code, 11 to 48").Under("case")
	bad := details[*errdetails.BadRequest](t, err).GetFieldViolations()
	if len(bad) != 1 || bad[0].GetField() != "case.tooth.iso" || bad[0].GetDescription() != "an ISO 3950 code, 11 to 48" {
		t.Errorf("got %v", bad)
	}
	if f := fault.InvalidFields(vw.ErrorReason_ERROR_REASON_CONTRADICTORY_EVIDENCE, "x", fault.Field{Path: "[0]"}).Under("evidence"); f.Fields[0].Path != "evidence[0]" {
		t.Errorf("an entry of a list became %q", f.Fields[0].Path)
	}
}

func TestAStateSaysWhatStoodInTheWay(t *testing.T) {
	err := fault.State(vw.ErrorReason_ERROR_REASON_CASE_CLOSED, "practices/p/cases/c", "want an open case")
	v := details[*errdetails.PreconditionFailure](t, err).GetViolations()
	if len(v) != 1 || v[0].GetType() != "CASE_CLOSED" || v[0].GetSubject() != "practices/p/cases/c" {
		t.Errorf("got %v", v)
	}
}

func TestEverySentinelOfTheStoreHasItsCode(t *testing.T) {
	paths := map[string]string{"reference": "patient.reference", "external_ids": "patient.external_identifiers"}
	for _, try := range []struct {
		err    error
		code   codes.Code
		reason string
	}{
		{&store.Problem{Kind: store.ErrNotFound, Resource: "cases/c1"}, codes.NotFound, "CASE_NOT_FOUND"},
		{&store.Problem{Kind: store.ErrNotFound, Resource: "patients/p1"}, codes.NotFound, "PATIENT_NOT_FOUND"},
		{&store.Problem{Kind: store.ErrNotFound, Resource: "cases/c1/revisions/3"}, codes.NotFound, "PLAN_NOT_FOUND"},
		{&store.Problem{Kind: store.ErrNotFound, Resource: "cases/c1/revisions/3", Field: "option"}, codes.NotFound, "OPTION_NOT_FOUND"},
		{&store.Problem{Kind: store.ErrStaleEtag, Resource: "cases/c1/revisions"}, codes.Aborted, "ETAG_MISMATCH"},
		{&store.Problem{Kind: store.ErrNotFound, Resource: "cases/c1/assessments/3"}, codes.NotFound, "ASSESSMENT_NOT_FOUND"},
		{&store.Problem{Kind: store.ErrNotFound, Resource: "practices/q"}, codes.NotFound, "PRACTICE_NOT_FOUND"},
		{&store.Problem{Kind: store.ErrStaleEtag, Resource: "cases/c1"}, codes.Aborted, "ETAG_MISMATCH"},
		{store.ErrRequestIDReused, codes.InvalidArgument, "REQUEST_ID_REUSED"},
		{&store.Problem{Kind: store.ErrExists, Field: "reference"}, codes.AlreadyExists, "PATIENT_REFERENCE_TAKEN"},
		{&store.Problem{Kind: store.ErrExists, Field: "external_ids"}, codes.AlreadyExists, "EXTERNAL_IDENTIFIER_TAKEN"},
		{&store.Problem{Kind: store.ErrWrongState, Resource: "cases/c1"}, codes.FailedPrecondition, "CASE_CLOSED"},
		{&store.Problem{Kind: store.ErrWrongState, Resource: "appointments/a1"}, codes.FailedPrecondition, "WRONG_BOOKING_STATE"},
		{&store.Problem{Kind: store.ErrInvalid, Field: "reference", Want: "1 to 64 bytes"}, codes.InvalidArgument, "INVALID_FIELD"},
		{&store.Problem{Kind: store.ErrInvalid, Field: "page"}, codes.InvalidArgument, "INVALID_PAGE_TOKEN"},
		{&store.Taken{Kind: store.KindRoom, Resource: "r1"}, codes.Aborted, "PLACE_TAKEN"},
		{&store.Problem{Kind: store.ErrExpired, Resource: "bookings/b1"}, codes.FailedPrecondition, "PROVISIONAL_EXPIRED"},
		{store.ErrExpired, codes.OutOfRange, "WATCH_TOKEN_EXPIRED"},
		{store.ErrBusy, codes.Aborted, "CONCURRENT_CHANGE"},
		{store.ErrUnavailable, codes.Unavailable, "STORE_UNAVAILABLE"},
		{fmt.Errorf("reading: %w", context.DeadlineExceeded), codes.DeadlineExceeded, "DEADLINE_PASSED"},
		{context.Canceled, codes.Canceled, "CANCELLED_BY_CLIENT"},
	} {
		got := fault.FromStore(try.err, "p", paths)
		if status.Code(got) != try.code || details[*errdetails.ErrorInfo](t, got).GetReason() != try.reason {
			t.Errorf("%v became %v, want %v %s", try.err, got, try.code, try.reason)
		}
		if !errors.Is(got, try.err) {
			t.Errorf("%v lost its cause", got)
		}
	}
}

// What the store and its drivers say may hold values, and never reaches a
// client.
func TestWhatADriverOrAPatientSaidNeverReachesAClient(t *testing.T) {
	secrets := []string{"SQLSTATE", "23505", "pq:", "UNIQUE constraint", "Jane Doe", "+43 660", "SELECT", "driver"}
	cause := errors.New(`pq: duplicate key value violates "patients_label" SQLSTATE 23505 Key (label)=(Jane Doe) driver SELECT`)
	for _, err := range []error{
		fault.NotFound(vw.ErrorReason_ERROR_REASON_CASE_NOT_FOUND, "practices/p/cases/c").Because(cause),
		fault.FromStore(fmt.Errorf("%w: %w", store.ErrNotFound, &store.Problem{Kind: store.ErrNotFound, Resource: "cases/c"}), "p", nil),
		fault.FromStore(&store.Problem{Kind: store.ErrExists, Field: "label", Resource: "Jane Doe"}, "p", nil),
		fault.FromStore(&store.Problem{Kind: store.ErrStaleEtag, Resource: "cases/Jane Doe"}, "p", nil),
		fault.FromStore(errors.Join(store.ErrUnavailable, cause), "p", nil),
		fault.FromStore(errors.Join(store.ErrBusy, cause), "p", nil),
	} {
		s := status.Convert(err)
		text := prototext.Format(s.Proto())
		for _, d := range s.Details() {
			text += fmt.Sprint(d)
		}
		for _, secret := range secrets {
			if strings.Contains(text, secret) {
				t.Errorf("%q reaches the client: %s", secret, text)
			}
		}
	}
}

func TestWhatIsNotKnownIsLeftToTheServerToHide(t *testing.T) {
	unknown := errors.New("pq: something new")
	for _, err := range []error{unknown, store.ErrInternal, store.ErrSealed, &store.Problem{Kind: store.ErrNotFound, Resource: "tokens/t"}} {
		got := fault.FromStore(err, "p", nil)
		if got != err { //nolint:errorlint // the very same error must come back, not one that wraps it
			t.Errorf("%v became %v", err, got)
		}
		if status.Code(got) != codes.Unknown {
			t.Errorf("%v says %v by itself", got, status.Code(got))
		}
	}
	if fault.FromStore(nil, "p", nil) != nil {
		t.Error("no error became one")
	}
}
