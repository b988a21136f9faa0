package desk

import (
	"context"
	"errors"
	"net/http"
	"net/url"
	"slices"
	"time"

	client "github.com/visitwright/visitwright/clients/go"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// answerWithin is how long the services may take for one page.
const answerWithin = 10 * time.Second

// ask is one request by somebody who is signed in. Its context carries their
// token: whatever is called through it is called as them.
type ask struct {
	context.Context
	desk *Desk
	http *http.Request
	me   *vw.Me
	// practice is the resource name, practices/{practice}.
	practice string
	// words writes dates, times, teeth and texts as this practice does.
	words *words
	// form holds the fields of a POST, the query of a GET.
	form url.Values
}

// page is what a handler answers: a template with its data, or another address.
type page struct {
	name  string // template, pages/{name}.html
	title string // as the browser's tab and the heading say it
	data  any
	// status is 200 when 0; a form that was refused comes back as 422.
	status int
	// to redirects after something was done.
	to string
	// file is sent as it is, in place of a page.
	file *file
	// section marks the entry of the bar that the page belongs to.
	section string
	// bare leaves the bar out: pages that are printed or stand by the chair.
	bare bool
}

// file is something that a browser saves.
type file struct {
	kind, name string
	body       []byte
}

// goTo answers with another address, after something was done.
func goTo(address string) *page { return &page{to: address} }

// now is the service's clock: that of a demonstration may differ from the
// machine's.
func (q *ask) now() time.Time {
	if t := q.me.GetServerTime(); t.IsValid() {
		return t.AsTime()
	}
	return q.desk.o.Now()
}

func (q *ask) planner() vw.PlannerServiceClient   { return q.desk.o.Client.Planner }
func (q *ask) diary() vw.DiaryServiceClient       { return q.desk.o.Client.Diary }
func (q *ask) chair() vw.ChairServiceClient       { return q.desk.o.Client.Chair }
func (q *ask) followUp() vw.FollowUpServiceClient { return q.desk.o.Client.FollowUp }
func (q *ask) identity() vw.IdentityServiceClient { return q.desk.o.Client.Identity }
func (q *ask) path(name string) string            { return q.http.PathValue(name) }
func (q *ask) name(collection, id string) string  { return q.practice + "/" + collection + "/" + id }
func (q *ask) t(key string, args ...any) string   { return q.words.T(key, args...) }
func (q *ask) is(roles ...vw.Role) bool           { return slices.Contains(roles, q.me.GetRole()) }
func (q *ask) posted() bool                       { return q.http.Method == http.MethodPost }

// signedIn finds out who asks, and answers their request.
func (d *Desk) signedIn(r route) http.HandlerFunc {
	return func(w http.ResponseWriter, req *http.Request) {
		ctx, cancel := context.WithTimeout(req.Context(), answerWithin)
		defer cancel()
		q, err := d.ask(ctx, w, req)
		if err == nil && len(r.roles) > 0 && !q.is(r.roles...) {
			err = errNotYours
		}
		var p *page
		if err == nil {
			p, err = r.answer(q)
		}
		if err != nil {
			d.sayError(w, req, q, err)
			return
		}
		d.show(w, req, q, p)
	}
}

// ask reads the form and asks the service who speaks.
func (d *Desk) ask(ctx context.Context, w http.ResponseWriter, req *http.Request) (*ask, error) {
	token := sessionToken(req)
	if token == "" {
		return nil, errSignedOut
	}
	ctx = client.WithToken(ctx, token)
	if req.Header.Get(liveHeader) != "" {
		ctx = client.Unattended(ctx)
	}
	q := &ask{Context: ctx, desk: d, http: req}
	if err := q.readForm(w); err != nil {
		return nil, err
	}
	var err error
	if q.me, err = d.o.Client.Identity.GetMe(ctx, &vw.GetMeRequest{}); err != nil {
		return nil, err
	}
	q.practice = q.me.GetPractice()
	q.words, err = newWords(d.texts, q.me, q.now())
	return q, err
}

// liveHeader marks a request that the page made by itself, so that it does not
// count as somebody at work.
const liveHeader = "X-Desk-Live"

func (q *ask) readForm(w http.ResponseWriter) error {
	if !q.posted() {
		q.form = q.http.URL.Query()
		return nil
	}
	q.http.Body = http.MaxBytesReader(w, q.http.Body, MostFormBytes)
	if err := q.http.ParseForm(); err != nil {
		var large *http.MaxBytesError
		if errors.As(err, &large) {
			return errTooLarge
		}
		return errBadForm
	}
	q.form = q.http.PostForm
	return nil
}

// reasonOf is the catalogue reason of a refusal, or "".
func reasonOf(err error) string { return client.ReasonOf(err) }
