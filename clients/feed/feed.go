// Package feed serves calendar feeds over HTTP to calendar programs, which can
// be given an address and nothing else. It is a client of the service like any
// other: it knows no practice, keeps nothing, and shows what
// DiaryService.ReadCalendarFeed answers to the secret in the address.
package feed

import (
	"context"
	"net/http"
	"strconv"
	"strings"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// Path is where a handler is mounted: the secret_path of a feed begins with it.
const Path = "/calendars/"

const (
	deadline   = 20 * time.Second // of one call to the service
	tryAgain   = 60               // seconds that a program waits while the service does not answer
	refresh    = 15 * 60          // seconds after which a program looks again, as the calendar itself says
	mostSecret = 200              // bytes of an address's last part
)

// Reader is the part of the service that a feed needs. A
// vw.DiaryServiceClient is one.
type Reader interface {
	ReadCalendarFeed(ctx context.Context, in *vw.ReadCalendarFeedRequest, opts ...grpc.CallOption) (*vw.ExportCalendarResponse, error)
}

// Handler answers GET and HEAD below Path. Whatever is wrong with an address,
// the answer is 404: nobody learns which feeds there are.
func Handler(service Reader) http.Handler {
	mux := http.NewServeMux()
	mux.HandleFunc("GET "+Path+"{secret}", func(w http.ResponseWriter, r *http.Request) { serve(w, r, service) })
	return private(mux)
}

// private keeps an address, which is a secret, from travelling on: to caches
// between here and there, to other sites, to search engines.
func private(next http.Handler) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Cache-Control", "private, max-age="+strconv.Itoa(refresh))
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("X-Robots-Tag", "noindex, nofollow")
		h.Set("Content-Security-Policy", "default-src 'none'")
		next.ServeHTTP(w, r)
	})
}

func serve(w http.ResponseWriter, r *http.Request, service Reader) {
	secret := r.PathValue("secret")
	if len(secret) > mostSecret {
		missing(w)
		return
	}
	ctx, cancel := context.WithTimeout(r.Context(), deadline)
	defer cancel()
	got, err := service.ReadCalendarFeed(ctx, &vw.ReadCalendarFeedRequest{Secret: secret})
	switch status.Code(err) {
	case codes.OK:
	case codes.NotFound, codes.InvalidArgument:
		missing(w)
		return
	case codes.Unavailable, codes.ResourceExhausted, codes.DeadlineExceeded, codes.Aborted:
		w.Header().Set("Retry-After", strconv.Itoa(tryAgain))
		refuse(w, http.StatusServiceUnavailable, "the calendar cannot be read at the moment; try again in a minute")
		return
	default:
		refuse(w, http.StatusInternalServerError, "the calendar cannot be read; the service's log says why")
		return
	}
	h := w.Header()
	h.Set("ETag", got.GetEtag())
	if known(r.Header.Values("If-None-Match"), got.GetEtag()) {
		w.WriteHeader(http.StatusNotModified)
		return
	}
	h.Set("Content-Type", got.GetContentType())
	h.Set("Content-Disposition", `inline; filename="diary.ics"`)
	h.Set("Content-Length", strconv.Itoa(len(got.GetCalendar())))
	if r.Method == http.MethodHead {
		return
	}
	_, _ = w.Write(got.GetCalendar()) // whoever hung up has no use for it
}

// known reports whether the program has this version already (RFC 9110, 13.1.2:
// weak comparison, "*" for any).
func known(asked []string, etag string) bool {
	for _, line := range asked {
		for one := range strings.SplitSeq(line, ",") {
			one = strings.TrimPrefix(strings.TrimSpace(one), "W/")
			if one == "*" || etag != "" && one == etag {
				return true
			}
		}
	}
	return false
}

func missing(w http.ResponseWriter) {
	refuse(w, http.StatusNotFound, "no such calendar: its address is not complete, or the practice has ended it")
}

func refuse(w http.ResponseWriter, code int, text string) {
	w.Header().Set("Cache-Control", "no-store")
	http.Error(w, text, code)
}
