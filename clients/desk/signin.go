package desk

import (
	"context"
	"errors"
	"net/http"
	"strings"

	"google.golang.org/grpc/codes"

	client "github.com/visitwright/visitwright/clients/go"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// The session cookie holds the session token of the service: there is nothing
// to keep on the desk. Over TLS its name binds it to this host.
const (
	cookiePlain  = "visitwright"
	cookieSecure = "__Host-visitwright"
)

// sessionToken is what the browser was given at sign-in.
func sessionToken(r *http.Request) string {
	for _, name := range []string{cookieSecure, cookiePlain} {
		if c, err := r.Cookie(name); err == nil {
			return c.Value
		}
	}
	return ""
}

// setSession gives the browser a token, or takes it back when it is empty.
func (d *Desk) setSession(w http.ResponseWriter, token string) {
	c := &http.Cookie{Name: cookiePlain, Value: token, Path: "/", HttpOnly: true, Secure: d.o.Secure, SameSite: http.SameSiteLaxMode} //nolint:gosec // Secure follows TLS: on loopback there is none
	if d.o.Secure {
		c.Name = cookieSecure
	}
	if token == "" {
		c.MaxAge = -1
	}
	http.SetCookie(w, c)
}

// signInPage is the data of pages/sign-in.html.
type signInPage struct {
	Form *form
	Back string
	// Why is the text of what led here: idle, ended, signed out.
	Why  string
	Demo *Demo
}

func (d *Desk) showSignIn(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	p := signInPage{Form: newForm(nil), Back: safeBack(q.Get("back")), Demo: d.o.Demo}
	if why := q.Get("why"); d.texts.has("sign-in.why-" + why) {
		p.Why = d.texts.T("sign-in.why-" + why)
	}
	d.show(w, r, nil, &page{name: "sign-in", title: d.texts.T("sign-in.title"), data: p, bare: true})
}

func (d *Desk) signIn(w http.ResponseWriter, r *http.Request) {
	ctx, cancel := context.WithTimeout(r.Context(), answerWithin)
	defer cancel()
	q := &ask{Context: ctx, desk: d, http: r}
	if err := q.readForm(w); err != nil {
		d.sayError(w, r, nil, err)
		return
	}
	f := q.typed()
	p := signInPage{Form: f, Back: safeBack(f.Get("back")), Demo: d.o.Demo}
	if f.Get("name") == "" {
		f.wrong("name", d.texts.T("sign-in.name-missing"))
	}
	if q.form.Get("passphrase") == "" {
		f.wrong("passphrase", d.texts.T("sign-in.passphrase-missing"))
	}
	if f.ok() {
		session, err := d.o.Client.Identity.SignIn(ctx, &vw.SignInRequest{Parent: d.practiceName(), SignInName: f.Get("name"), Passphrase: q.form.Get("passphrase")})
		if err == nil {
			d.setSession(w, session.GetSessionToken())
			http.Redirect(w, r, p.Back, http.StatusSeeOther)
			return
		}
		var e *client.Error
		if errors.As(err, &e) && e.Code == codes.Unauthenticated {
			f.Problem = d.texts.T("sign-in.wrong")
		} else if !f.refused(err, map[string]string{"sign_in_name": "name", "passphrase": "passphrase"}) {
			d.sayError(w, r, nil, err)
			return
		}
	}
	f.values.Del("passphrase") // never sent back
	d.show(w, r, nil, &page{name: "sign-in", title: d.texts.T("sign-in.title"), data: p, bare: true, status: http.StatusUnprocessableEntity})
}

func (d *Desk) practiceName() string {
	if d.o.Practice == "" {
		return ""
	}
	return "practices/" + d.o.Practice
}

// signOut ends the session at the service and in the browser. A session that
// has ended already is no reason to stay.
func (d *Desk) signOut(w http.ResponseWriter, r *http.Request) {
	ctx, cancel := context.WithTimeout(r.Context(), answerWithin)
	defer cancel()
	if token := sessionToken(r); token != "" {
		_, err := d.o.Client.Identity.SignOut(client.WithToken(ctx, token), &vw.SignOutRequest{})
		var e *client.Error
		if err != nil && !(errors.As(err, &e) && e.Code == codes.Unauthenticated) {
			d.sayError(w, r, nil, err)
			return
		}
	}
	d.setSession(w, "")
	d.toSignIn(w, r, "SIGNED_OUT")
}

// safeBack is an address of this desk, whatever was asked for.
func safeBack(address string) string {
	if !strings.HasPrefix(address, "/") || strings.HasPrefix(address, "//") || strings.ContainsAny(address, "\\\r\n\t") ||
		strings.HasPrefix(address, "/sign-") || strings.HasPrefix(address, livePath) {
		return "/"
	}
	return address
}
