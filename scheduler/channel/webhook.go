package channel

import (
	"bytes"
	"context"
	"crypto/hmac"
	"crypto/sha256"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"strconv"
	"strings"
	"syscall"
	"time"
)

// Webhook posts letters to a gateway, signed as the Standard Webhooks
// specification says: headers webhook-id, webhook-timestamp and
// webhook-signature, the signature being v1 HMAC-SHA256 over
// "id.timestamp.body". The id is the letter's and is the same on every
// attempt.
type Webhook struct {
	URL    string
	Secret []byte // 24 to 64 bytes
	// Private allows addresses of private networks and of this machine; without
	// it they are refused, so that a setting cannot be used to reach what only
	// the server can reach.
	Private bool
	// Roots and Now are for tests; nil takes the machine's.
	Client  *http.Client
	Now     func() time.Time
	Timeout time.Duration // of one attempt; 15 s when zero
}

// ParseSecret reads a secret as receivers show it: whsec_ and base64.
func ParseSecret(s string) ([]byte, error) {
	raw, err := base64.StdEncoding.DecodeString(strings.TrimPrefix(s, "whsec_"))
	if err != nil || len(raw) < 24 || len(raw) > 64 {
		return nil, errors.New("webhook secret: want whsec_ and the base64 of 24 to 64 bytes")
	}
	return raw, nil
}

// Validate reports a URL or secret that cannot be used.
func (w Webhook) Validate() error {
	u, err := url.Parse(w.URL)
	if err != nil || u.Host == "" || u.User != nil {
		return errors.New("webhook url: want https://host/path without a user name")
	}
	if u.Scheme != "https" && (u.Scheme != "http" || !w.Private) {
		return fmt.Errorf("webhook url: scheme %q; want https", u.Scheme)
	}
	if len(w.Secret) < 24 || len(w.Secret) > 64 {
		return fmt.Errorf("webhook secret: %d bytes; want 24 to 64", len(w.Secret))
	}
	if ip, err := netip.ParseAddr(u.Hostname()); err == nil && !w.Private && inside(ip) {
		return errors.New("webhook url: an address inside a private network; want a public one, or private addresses allowed by the practice's manager")
	}
	return nil
}

type webhookBody struct {
	Type string `json:"type"`
	Time string `json:"timestamp"`
	Data struct {
		To   string `json:"to"`
		Text string `json:"text"`
	} `json:"data"`
}

// Send posts one letter.
func (w Webhook) Send(ctx context.Context, l Letter) error {
	if err := w.Validate(); err != nil {
		return &Failure{Outcome: Permanent, Text: err.Error()}
	}
	now := w.Now()
	body := webhookBody{Type: "message." + l.Kind, Time: now.UTC().Format(time.RFC3339)}
	body.Data.To, body.Data.Text = l.To, l.Body
	raw, err := json.Marshal(body)
	if err != nil {
		return &Failure{Outcome: Permanent, Text: "the letter cannot be written as JSON", cause: err}
	}
	timeout := w.Timeout
	if timeout == 0 {
		timeout = 15 * time.Second
	}
	ctx, cancel := context.WithTimeout(ctx, timeout)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, w.URL, bytes.NewReader(raw))
	if err != nil {
		return &Failure{Outcome: Permanent, Text: "the URL cannot be used", cause: err}
	}
	stamp := strconv.FormatInt(now.Unix(), 10)
	req.Header.Set("Content-Type", "application/json")
	req.Header.Set("webhook-id", l.ID)
	req.Header.Set("webhook-timestamp", stamp)
	req.Header.Set("webhook-signature", "v1,"+Sign(w.Secret, l.ID, stamp, raw))
	resp, err := w.http().Do(req)
	if err != nil {
		var refused *addressError
		if errors.As(err, &refused) {
			return &Failure{Outcome: Permanent, Text: "the host leads to an address inside a private network", cause: err}
		}
		var op *net.OpError
		if errors.As(err, &op) && op.Op == "dial" {
			return &Failure{Outcome: Temporary, Text: "the gateway could not be reached", cause: err}
		}
		return &Failure{Outcome: Uncertain, Text: "the gateway did not answer", cause: err}
	}
	defer func() { _ = resp.Body.Close() }()
	_, _ = io.Copy(io.Discard, io.LimitReader(resp.Body, 64<<10))
	switch c := resp.StatusCode; {
	case c >= 200 && c < 300:
		return nil
	case c == http.StatusRequestTimeout || c == http.StatusTooManyRequests || c >= 500:
		return &Failure{Outcome: Temporary, Code: c, Text: "the gateway asks to try again"}
	default:
		return &Failure{Outcome: Permanent, Code: c, Text: "the gateway refused the letter"}
	}
}

// Sign returns the base64 signature over "id.timestamp.body".
func Sign(secret []byte, id, timestamp string, body []byte) string {
	mac := hmac.New(sha256.New, secret)
	mac.Write([]byte(id + "." + timestamp + "."))
	mac.Write(body)
	return base64.StdEncoding.EncodeToString(mac.Sum(nil))
}

func (w Webhook) http() *http.Client {
	base := http.DefaultTransport.(*http.Transport).Clone()
	if w.Client != nil {
		if t, ok := w.Client.Transport.(*http.Transport); ok {
			base = t.Clone()
		}
	}
	// A proxy would make the address check meaningless.
	base.Proxy = nil
	base.DisableKeepAlives = true
	dialer := net.Dialer{Timeout: 10 * time.Second}
	if !w.Private {
		// Checked after the name was resolved, on the address really dialled.
		dialer.Control = func(_, address string, _ syscall.RawConn) error {
			ap, err := netip.ParseAddrPort(address)
			if err != nil || inside(ap.Addr()) {
				return &addressError{}
			}
			return nil
		}
	}
	base.DialContext = dialer.DialContext
	return &http.Client{
		Transport: base,
		// A redirect would carry the letter to a place nobody has agreed to.
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse },
	}
}

type addressError struct{}

func (*addressError) Error() string { return "address inside a private network" }

// shared is the address range of carriers, RFC 6598.
var shared = netip.MustParsePrefix("100.64.0.0/10")

func inside(a netip.Addr) bool {
	a = a.Unmap()
	return a.IsLoopback() || a.IsPrivate() || a.IsLinkLocalUnicast() || a.IsLinkLocalMulticast() ||
		a.IsMulticast() || a.IsUnspecified() || shared.Contains(a) || !a.IsValid()
}
