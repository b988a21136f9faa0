package desk

import (
	"log/slog"
	"net/http"
	"runtime/debug"

	"github.com/klauspost/compress/gzhttp"
)

// contentPolicy lets a page use what this desk serves and nothing else. No
// script and no style stands in a page.
const contentPolicy = "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; " +
	"form-action 'self'; base-uri 'none'; frame-ancestors 'none'; manifest-src 'self'"

// guard wraps what every answer needs: headers, refusal of writes from other
// origins, compression, and an answer in place of a panic.
func (d *Desk) guard(next http.Handler) http.Handler {
	origin := http.NewCrossOriginProtection()
	origin.SetDenyHandler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		d.sayError(w, r, nil, errOtherOrigin)
	}))
	compressed := gzhttp.GzipHandler(next)
	plain := origin.Handler(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path == livePath { // a stream leaves event by event
			next.ServeHTTP(w, r)
			return
		}
		compressed.ServeHTTP(w, r)
	}))
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		h := w.Header()
		h.Set("Content-Security-Policy", contentPolicy)
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Permissions-Policy", "camera=(), microphone=(), geolocation=()")
		h.Set("Cache-Control", "no-store")
		if d.o.Secure {
			h.Set("Strict-Transport-Security", "max-age=31536000")
		}
		defer func() {
			if p := recover(); p != nil && p != http.ErrAbortHandler { //nolint:errorlint // the sentinel panic of net/http is compared by identity
				// The value of a panic may hold what somebody typed: the log gets the
				// stack alone.
				d.o.Log.Error("desk: panic", slog.String("method", r.Method), slog.String("stack", string(debug.Stack())))
				d.sayError(w, r, nil, errInside)
			} else if p != nil {
				panic(p)
			}
		}()
		plain.ServeHTTP(w, r)
	})
}
