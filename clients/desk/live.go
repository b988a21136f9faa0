package desk

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/http"
	"time"

	"google.golang.org/grpc/codes"

	client "github.com/visitwright/visitwright/clients/go"
	vw "github.com/visitwright/visitwright/proto/visitwright/v1"
)

// livePath streams what changed to open pages.
const livePath = "/live"

// writeWithin is how long a browser may take to read one event.
const writeWithin = 20 * time.Second

// live passes the service's diary stream on as server-sent events. The event
// id is the resume token, so that a browser that comes back misses nothing;
// which page shows what is the page's business: it reads itself again.
func (d *Desk) live(w http.ResponseWriter, r *http.Request) {
	token := sessionToken(r)
	practice := r.URL.Query().Get("practice")
	if token == "" || practice == "" {
		http.Error(w, d.texts.T("fault.signed-out"), http.StatusUnauthorized)
		return
	}
	ctx, cancel := context.WithCancel(client.Unattended(client.WithToken(r.Context(), token)))
	defer cancel()
	defer context.AfterFunc(d.stopping, cancel)()
	w.Header().Set("Content-Type", "text/event-stream")
	w.Header().Set("X-Accel-Buffering", "no")
	out := &events{w: w, control: http.NewResponseController(w), now: d.o.Now}

	resume := r.Header.Get("Last-Event-ID")
	stream, err := d.o.Client.Diary.WatchDiary(ctx, &vw.WatchDiaryRequest{Parent: practice, ResumeToken: resume})
	for err == nil {
		var m *vw.WatchDiaryResponse
		if m, err = stream.Recv(); err == nil {
			err = out.tell(m)
		}
	}
	var refused *client.Error
	switch {
	case ctx.Err() != nil || !errors.As(err, &refused):
	case refused.Code == codes.Unauthenticated:
		_ = out.send("ended", "", map[string]string{"why": refused.Reason})
	case refused.Reason == "WATCH_TOKEN_EXPIRED":
		// Everything may have changed: the page reads itself again, and the next
		// stream starts afresh.
		_ = out.send("changed", "-", map[string]string{"kind": "all"})
	case refused.Code == codes.PermissionDenied:
		_ = out.send("none", "", map[string]string{})
	}
	// Whatever else happened, the browser comes back by itself with the last id.
}

// events writes server-sent events.
type events struct {
	w       http.ResponseWriter
	control *http.ResponseController
	now     func() time.Time
}

func (e *events) tell(m *vw.WatchDiaryResponse) error {
	c := m.GetChange()
	if c == nil {
		return e.send("beat", m.GetResumeToken(), map[string]string{})
	}
	return e.send("changed", m.GetResumeToken(), map[string]string{"kind": c.GetKind(), "resource": c.GetResource()})
}

func (e *events) send(kind, id string, data map[string]string) error {
	body, err := json.Marshal(data)
	if err != nil {
		return err
	}
	// The deadline is the machine's business: a connection knows no other clock.
	_ = e.control.SetWriteDeadline(time.Now().Add(writeWithin)) //nolint:forbidigo // see above
	if id == "-" {
		// An empty id clears what the browser remembers.
		_, err = fmt.Fprintf(e.w, "event: %s\nid:\ndata: %s\n\n", kind, body)
	} else if id != "" {
		_, err = fmt.Fprintf(e.w, "event: %s\nid: %s\ndata: %s\n\n", kind, id, body)
	} else {
		_, err = fmt.Fprintf(e.w, "event: %s\ndata: %s\n\n", kind, body)
	}
	if err != nil {
		return err
	}
	return e.control.Flush()
}
