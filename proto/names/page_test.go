package names_test

import (
	"bytes"
	"encoding/base64"
	"errors"
	"testing"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	"github.com/visitwright/visitwright/proto/names"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

func pager(t testing.TB, key byte) *names.Pager {
	t.Helper()
	p, err := names.NewPager(bytes.Repeat([]byte{key}, 32))
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func TestThePageAfterIsReachedByItsTokenAtAnySize(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		p := pager(t, 1)
		cursor := rapid.StringN(1, 90, 360).Draw(rt, "cursor")
		request := &vw.ListCasesRequest{Parent: "practices/a", PageSize: 10, Filter: &vw.CaseFilter{OpenOnly: true}}
		next := proto.Clone(request).(*vw.ListCasesRequest)
		next.PageToken = p.Token(request, cursor)
		next.PageSize = rapid.Int32Range(0, 2000).Draw(rt, "size")
		got, err := p.Cursor(next)
		if err != nil || got != cursor {
			rt.Fatalf("got %q, %v, want %q", got, err, cursor)
		}
		if len(next.GetPageToken()) > 512 {
			rt.Fatalf("the token has %d characters, the contract takes 512", len(next.GetPageToken()))
		}
	})
}

func TestTheEndHasNoTokenAndTheBeginningNoCursor(t *testing.T) {
	p := pager(t, 1)
	if token := p.Token(&vw.ListCasesRequest{}, ""); token != "" {
		t.Errorf("the end has the token %q", token)
	}
	if cursor, err := p.Cursor(&vw.ListCasesRequest{}); cursor != "" || err != nil {
		t.Errorf("the beginning gave %q, %v", cursor, err)
	}
}

func TestATokenIsRefusedForAnotherPracticeAnotherListOrAnotherKey(t *testing.T) {
	p := pager(t, 1)
	token := p.Token(&vw.ListCasesRequest{Parent: "practices/a"}, "cursor")
	altered := func() string {
		raw, _ := base64.RawURLEncoding.DecodeString(token)
		raw[len(raw)-1] ^= 1
		return base64.RawURLEncoding.EncodeToString(raw)
	}()
	for name, try := range map[string]struct {
		p *names.Pager
		r proto.Message
	}{
		"another practice": {p, &vw.ListCasesRequest{Parent: "practices/b", PageToken: token}},
		"another filter":   {p, &vw.ListCasesRequest{Parent: "practices/a", PageToken: token, Filter: &vw.CaseFilter{OpenOnly: true}}},
		"another list":     {p, &vw.ListPatientsRequest{Parent: "practices/a", PageToken: token}},
		"another key":      {pager(t, 2), &vw.ListCasesRequest{Parent: "practices/a", PageToken: token}},
		"altered":          {p, &vw.ListCasesRequest{Parent: "practices/a", PageToken: altered}},
		"cut":              {p, &vw.ListCasesRequest{Parent: "practices/a", PageToken: token[:10]}},
		"not base64":       {p, &vw.ListCasesRequest{Parent: "practices/a", PageToken: "!!!"}},
		"no list at all":   {p, &vw.GetCaseRequest{}},
	} {
		if _, err := try.p.Cursor(try.r); !errors.Is(err, names.ErrPageToken) {
			t.Errorf("%s: got %v, want %v", name, err, names.ErrPageToken)
		}
	}
	if _, err := p.Cursor(&vw.ListCasesRequest{Parent: "practices/a", PageToken: token}); err != nil {
		t.Errorf("the right request is refused: %v", err)
	}
}

func TestAShortKeyIsRefused(t *testing.T) {
	if _, err := names.NewPager(make([]byte, 31)); err == nil {
		t.Error("a key of 31 bytes was taken")
	}
}

func FuzzCursor(f *testing.F) {
	p := pager(f, 1)
	f.Add("AQ")
	f.Add(p.Token(&vw.ListCasesRequest{Parent: "practices/b"}, "x"))
	f.Fuzz(func(t *testing.T, token string) {
		if c, err := p.Cursor(&vw.ListCasesRequest{Parent: "practices/a", PageToken: token}); err == nil && c != "" {
			if p.Token(&vw.ListCasesRequest{Parent: "practices/a"}, c) != token {
				t.Fatalf("a token that we did not make was taken")
			}
		}
	})
}
