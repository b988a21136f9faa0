package feed_test

import (
	"context"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"github.com/visitwright/visitwright/clients/feed"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// service answers every secret in the same way.
type service struct {
	err   error
	asked []string
}

func (s *service) ReadCalendarFeed(_ context.Context, r *vw.ReadCalendarFeedRequest, _ ...grpc.CallOption) (*vw.ExportCalendarResponse, error) {
	s.asked = append(s.asked, r.GetSecret())
	if s.err != nil {
		return nil, s.err
	}
	return &vw.ExportCalendarResponse{ContentType: "text/calendar; charset=utf-8", Calendar: []byte("BEGIN:VCALENDAR\r\n"), Etag: `"1"`}, nil
}

func ask(s *service, method, path string, header ...string) *httptest.ResponseRecorder {
	r := httptest.NewRequest(method, path, http.NoBody)
	for i := 0; i < len(header); i += 2 {
		r.Header.Set(header[i], header[i+1])
	}
	w := httptest.NewRecorder()
	feed.Handler(s).ServeHTTP(w, r)
	return w
}

func TestACalendarProgramIsToldToComeBackWhileTheServiceIsAway(t *testing.T) {
	for code, want := range map[codes.Code]int{
		codes.Unavailable: 503, codes.ResourceExhausted: 503, codes.DeadlineExceeded: 503, codes.Aborted: 503,
		codes.NotFound: 404, codes.InvalidArgument: 404, codes.Internal: 500, codes.PermissionDenied: 500,
	} {
		w := ask(&service{err: status.Error(code, "the text of the service stays inside")}, "GET", "/calendars/x.ics")
		if w.Code != want || strings.Contains(w.Body.String(), "inside") || w.Header().Get("Cache-Control") != "no-store" {
			t.Errorf("%v: %d %v %s", code, w.Code, w.Header(), w.Body)
		}
		if away := w.Header().Get("Retry-After"); (away != "") != (want == 503) {
			t.Errorf("%v: to come back after %q", code, away)
		}
	}
}

func TestAProgramThatHasTheCalendarIsSentNothing(t *testing.T) {
	for match, want := range map[string]int{`"1"`: 304, `W/"1"`: 304, `"0", "1"`: 304, `*`: 304, `"0"`: 200, `1`: 200, ``: 200} {
		w := ask(&service{}, "GET", "/calendars/x.ics", "If-None-Match", match)
		if w.Code != want || (w.Body.Len() == 0) != (want == 304) || w.Header().Get("ETag") != `"1"` {
			t.Errorf("%q: %d, %d bytes, %v", match, w.Code, w.Body.Len(), w.Header())
		}
	}
}

func TestWhatIsNoAddressOfAFeedIsNotAskedOfTheService(t *testing.T) {
	s := &service{}
	for _, c := range []struct {
		method, path string
		want         int
	}{
		{"POST", "/calendars/x.ics", 405}, {"PROPFIND", "/calendars/x.ics", 405}, {"GET", "/", 404}, {"GET", "/calendars/", 404},
		{"GET", "/calendars/a/b.ics", 404}, {"GET", "/calendars/" + strings.Repeat("x", 201), 404},
	} {
		if w := ask(s, c.method, c.path); w.Code != c.want {
			t.Errorf("%s %.40s: %d, want %d", c.method, c.path, w.Code, c.want)
		}
	}
	if len(s.asked) > 0 {
		t.Errorf("the service was asked for %v", s.asked)
	}
	if w := ask(s, "GET", "/calendars/vwf1.elm.f.s.ics"); w.Code != 200 || len(s.asked) != 1 || s.asked[0] != "vwf1.elm.f.s.ics" {
		t.Errorf("%d, asked %v", w.Code, s.asked)
	}
}
