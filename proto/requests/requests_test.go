package requests_test

import (
	"errors"
	"fmt"
	"slices"
	"testing"

	"google.golang.org/grpc/codes"

	"github.com/visitwright/visitwright/proto/fault"
	"github.com/visitwright/visitwright/proto/names"
	"github.com/visitwright/visitwright/proto/requests"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
	"github.com/visitwright/visitwright/store"
)

func willow(role store.Role) requests.Caller {
	return requests.Caller{Call: store.Call{Practice: "willow", Role: role}}
}

func code(err error) codes.Code {
	var f *fault.Fault
	if !errors.As(err, &f) {
		return codes.OK
	}
	return f.Code
}

func TestANameOfAnotherPracticeIsNotThere(t *testing.T) {
	c := willow(store.RoleReception)
	missing := vw.ErrorReason_ERROR_REASON_CASE_NOT_FOUND
	if n, err := c.One(names.CasePattern, "name", "practices/willow/cases/c1", missing); err != nil || n.ID != "c1" {
		t.Errorf("%v, %v", n, err)
	}
	if _, err := c.One(names.CasePattern, "name", "practices/amsel/cases/c1", missing); code(err) != codes.NotFound {
		t.Errorf("another practice's: %v", err)
	}
	if _, err := c.One(names.CasePattern, "name", "cases/c1", missing); code(err) != codes.InvalidArgument {
		t.Errorf("no name: %v", err)
	}
	if err := c.Within("parent", "practices/willow"); err != nil {
		t.Error(err)
	}
	if err := c.Within("parent", "practices/amsel"); code(err) != codes.NotFound {
		t.Errorf("another practice: %v", err)
	}
}

func TestARepeatedRequestIsKnownByItsIDAndContent(t *testing.T) {
	ask := &vw.CreateCaseRequest{Parent: "practices/willow", RequestId: "6f1c3a52-1f0e-4b4e-9a67-2d3f5b1c7e90"}
	first, err := willow(store.RoleReception).Write(ask)
	if err != nil || first.RequestID != ask.GetRequestId() || first.RequestHash == ([32]byte{}) {
		t.Fatalf("%v, %v", first, err)
	}
	if r := first.Reading(); r.RequestID != "" || r.RequestHash != ([32]byte{}) || r.Practice != "willow" {
		t.Errorf("what is read beforehand is no request of its own: %v", r)
	}
	ask.Case = &vw.Case{Patient: "practices/willow/patients/p"}
	if other, _ := willow(store.RoleReception).Write(ask); other.RequestHash == first.RequestHash {
		t.Error("another content has the same hash")
	}
	ask.ValidateOnly = true
	if look, _ := willow(store.RoleReception).Write(ask); look.RequestID != "" {
		t.Error("a look is kept as the answer of the real request")
	}
}

func TestOnlyAnIntegrationActsForSomebody(t *testing.T) {
	ask := &vw.CreateCaseRequest{OnBehalfOf: "front desk"}
	if c, err := willow(store.RoleIntegration).Write(ask); err != nil || c.ActingFor != "front desk" {
		t.Errorf("%v, %v", c, err)
	}
	if _, err := willow(store.RoleClinician).Write(ask); code(err) != codes.PermissionDenied {
		t.Errorf("%v", err)
	}
}

func TestPagesTogetherAreTheList(t *testing.T) {
	var all []string
	for i := range 2*store.DefaultPageSize + 3 {
		all = append(all, fmt.Sprint(i))
	}
	for _, size := range []int{0, 1, 7, len(all), store.MaxPageSize + 1} {
		var got []string
		page := store.Page{Size: size}
		for {
			part, next, err := requests.Cut(page, all)
			if err != nil || len(part) > page.Most() {
				t.Fatalf("pages of %d: %d entries, %v", size, len(part), err)
			}
			got = append(got, part...)
			if page.After = next; next == "" {
				break
			}
		}
		if !slices.Equal(got, all) {
			t.Errorf("pages of %d: %d entries of %d", size, len(got), len(all))
		}
	}
	for _, after := range []string{"x", "-1"} {
		if _, _, err := requests.Cut(store.Page{After: after}, all); !errors.Is(err, names.ErrPageToken) {
			t.Errorf("%q: %v", after, err)
		}
	}
	if part, next, err := requests.Cut(store.Page{After: "900"}, all); len(part) != 0 || next != "" || err != nil {
		t.Errorf("behind the end: %v, %q, %v", part, next, err)
	}
}
