package channel

import (
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	netmail "net/mail"
	"strings"
	"time"

	"github.com/wneessen/go-mail"
)

// SMTP sends e-mail through one relay.
type SMTP struct {
	Host string
	Port int // 587 with STARTTLS, as a rule
	// From is the practice's address.
	From     string
	Username string // empty: no sign-in
	Password string
	// TLS is the trust to use; nil trusts the machine's roots.
	TLS *tls.Config
	// Plain allows a relay without TLS. It is refused but for a loopback host.
	Plain bool
	// Timeout of one attempt; 30 s when zero.
	Timeout time.Duration
}

// Validate reports a setting that cannot work or would send mail in the open.
func (s SMTP) Validate() error {
	if s.Host == "" || s.Port < 1 || s.Port > 65535 {
		return fmt.Errorf("smtp host %q port %d: want a host name and a port from 1 to 65535", s.Host, s.Port)
	}
	if _, err := netmail.ParseAddress(s.From); err != nil {
		return errors.New("smtp from: not an e-mail address; want the practice's own address")
	}
	if s.Plain {
		if ip := net.ParseIP(s.Host); s.Host != "localhost" && (ip == nil || !ip.IsLoopback()) {
			return errors.New("smtp plain: mail would travel in the open; want TLS, or a relay on this machine")
		}
	}
	return nil
}

// Send hands one letter to the relay. The Message-ID is made from the letter's
// id alone, so that a second attempt can be recognised by the receiver.
func (s SMTP) Send(ctx context.Context, l Letter) error {
	if err := s.Validate(); err != nil {
		return &Failure{Outcome: Permanent, Text: err.Error()}
	}
	m, err := s.message(l)
	if err != nil {
		return err
	}
	client, err := s.client()
	if err != nil {
		return &Failure{Outcome: Permanent, Text: "the relay's settings do not work", cause: err}
	}
	ctx, cancel := context.WithTimeout(ctx, s.timeout())
	defer cancel()
	if err := client.DialWithContext(ctx); err != nil {
		return dialFailure(err)
	}
	// Whether QUIT is answered does not matter once the letter was taken.
	defer func() { _ = client.Close() }()
	if err := client.Send(m); err != nil {
		return sendFailure(err)
	}
	return nil
}

func (s SMTP) message(l Letter) (*mail.Msg, error) {
	m := mail.NewMsg(mail.WithNoDefaultUserAgent(), mail.WithEncoding(mail.EncodingQP))
	if err := m.From(s.From); err != nil {
		return nil, &Failure{Outcome: Permanent, Text: "the practice's own address is none", cause: err}
	}
	if err := m.To(l.To); err != nil {
		return nil, &Failure{Outcome: Permanent, Text: "the patient's address is none", cause: err}
	}
	from, err := netmail.ParseAddress(s.From)
	if err != nil {
		return nil, &Failure{Outcome: Permanent, Text: "the practice's own address is none", cause: err}
	}
	domain := from.Address[strings.LastIndexByte(from.Address, '@')+1:]
	m.SetMessageIDWithValue(l.ID + "@" + domain)
	m.SetDate()
	m.Subject(l.Subject)
	m.SetGenHeader("Auto-Submitted", "auto-generated") // RFC 3834
	m.SetBodyString(mail.TypeTextPlain, l.Body)
	return m, nil
}

func (s SMTP) client() (*mail.Client, error) {
	policy := mail.TLSMandatory
	if s.Plain {
		policy = mail.NoTLS
	}
	options := []mail.Option{
		mail.WithPort(s.Port), mail.WithTLSPolicy(policy), mail.WithTimeout(s.timeout()),
		mail.WithoutNoop(),
	}
	if s.TLS != nil {
		options = append(options, mail.WithTLSConfig(s.TLS))
	}
	if s.Username != "" {
		options = append(options, mail.WithSMTPAuth(mail.SMTPAuthAutoDiscover), mail.WithUsername(s.Username), mail.WithPassword(s.Password))
	}
	return mail.NewClient(s.Host, options...)
}

func (s SMTP) timeout() time.Duration {
	if s.Timeout > 0 {
		return s.Timeout
	}
	return 30 * time.Second
}

func dialFailure(err error) error {
	if temporary, code := reply(err); code != 0 && !temporary {
		return &Failure{Outcome: Permanent, Code: code, Text: "the relay refused the connection", cause: err}
	}
	// Nothing was handed over: whatever it was, another try may do.
	return &Failure{Outcome: Temporary, Text: "the relay could not be reached or did not offer TLS", cause: err}
}

func sendFailure(err error) error {
	temporary, code := reply(err)
	switch {
	case code >= 500 && !temporary:
		return &Failure{Outcome: Permanent, Code: code, Text: "the relay refused the letter", cause: err}
	case code >= 400:
		return &Failure{Outcome: Temporary, Code: code, Text: "the relay asks to try again", cause: err}
	case closing(err):
		// The end of the letter was written and no answer came: it may have it.
		return &Failure{Outcome: Uncertain, Text: "the connection broke after the letter was handed over", cause: err}
	}
	return &Failure{Outcome: Temporary, Text: "the connection broke before the letter was handed over", cause: err}
}

func closing(err error) bool {
	var s *mail.SendError
	return errors.As(err, &s) && s.Reason == mail.ErrSMTPDataClose
}

func reply(err error) (temporary bool, code int) {
	var s *mail.SendError
	if errors.As(err, &s) {
		return s.IsTemp(), s.ErrorCode()
	}
	return false, 0
}
