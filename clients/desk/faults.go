package desk

import (
	"errors"
	"log/slog"
	"net/http"
	"net/url"

	"google.golang.org/grpc/codes"

	client "github.com/visitwright/visitwright/clients/go"
)

// deskError is a refusal of the desk itself; its text has a key.
type deskError struct {
	status int
	key    string
}

func (e *deskError) Error() string { return e.key }

var (
	errNoPage      = &deskError{http.StatusNotFound, "fault.no-page"}
	errNotYours    = &deskError{http.StatusForbidden, "fault.not-yours"}
	errSignedOut   = &deskError{http.StatusUnauthorized, "fault.signed-out"}
	errTooLarge    = &deskError{http.StatusRequestEntityTooLarge, "fault.too-large"}
	errBadForm     = &deskError{http.StatusBadRequest, "fault.bad-form"}
	errOtherOrigin = &deskError{http.StatusForbidden, "fault.other-origin"}
	errInside      = &deskError{http.StatusInternalServerError, "fault.inside"}
)

// refusal is the service's refusal in an error; nil when there is none.
func refusal(err error) *client.Error {
	var e *client.Error
	if errors.As(err, &e) {
		return e
	}
	return nil
}

// notThere reports whether what was asked for does not exist, or exists no more.
func notThere(err error) bool {
	e := refusal(err)
	return e != nil && e.Code == codes.NotFound
}

// sayError answers with a page that says what went wrong and what to do. A
// session that ended leads to the sign-in page and back again.
func (d *Desk) sayError(w http.ResponseWriter, r *http.Request, q *ask, err error) {
	status, key, text, call := http.StatusInternalServerError, "fault.inside", "", ""
	var own *deskError
	var refused *client.Error
	switch {
	case errors.As(err, &own):
		status, key = own.status, own.key
	case errors.As(err, &refused):
		status, key = statusOf(refused.Code)
		if status != http.StatusInternalServerError && status != http.StatusServiceUnavailable {
			text = sentence(refused.Error())
		}
		call = refused.Call
	}
	if status == http.StatusUnauthorized {
		// A token that is none is not shown to the service a second time: bad ones
		// are counted.
		if reason := reasonOf(err); reason != "" && reason != "SESSION_IDLE" {
			d.setSession(w, "")
		}
		d.toSignIn(w, r, reasonOf(err))
		return
	}
	if status == http.StatusInternalServerError {
		// A refusal's text never holds patient data; a form's content is not logged.
		d.o.Log.Error("desk: page failed", slog.String("pattern", r.Pattern), slog.Any("error", err))
	}
	d.show(w, r, q, &page{name: "fault", status: status, title: d.texts.T(key), data: faultPage{Key: key, Text: text, Call: call}})
}

type faultPage struct{ Key, Text, Call string }

func statusOf(code codes.Code) (int, string) {
	switch code {
	case codes.Unauthenticated:
		return http.StatusUnauthorized, "fault.signed-out"
	case codes.PermissionDenied:
		return http.StatusForbidden, "fault.not-yours"
	case codes.NotFound:
		return http.StatusNotFound, "fault.not-here"
	case codes.InvalidArgument, codes.OutOfRange:
		return http.StatusBadRequest, "fault.not-understood"
	case codes.FailedPrecondition, codes.Aborted, codes.AlreadyExists:
		return http.StatusConflict, "fault.not-now"
	case codes.ResourceExhausted:
		return http.StatusTooManyRequests, "fault.too-many"
	case codes.Unavailable, codes.DeadlineExceeded, codes.Canceled:
		return http.StatusServiceUnavailable, "fault.away"
	default:
		return http.StatusInternalServerError, "fault.inside"
	}
}

// toSignIn leads to the sign-in page and, after it, back to where one was.
func (d *Desk) toSignIn(w http.ResponseWriter, r *http.Request, reason string) {
	where := url.Values{}
	if r.Method == http.MethodGet && r.URL.Path != "/" {
		where.Set("back", r.URL.RequestURI())
	} else if back := ownPath(r.Referer(), r.Host); r.Method == http.MethodPost && back != "" {
		where.Set("back", back)
	}
	if reason != "" {
		where.Set("why", reason)
	}
	address := "/sign-in"
	if len(where) > 0 {
		address += "?" + where.Encode()
	}
	http.Redirect(w, r, address, http.StatusSeeOther)
}

// ownPath is the path of an address of this desk, or "".
func ownPath(address, host string) string {
	u, err := url.Parse(address)
	if err != nil || u.Host != host {
		return ""
	}
	return u.RequestURI()
}
