package channel

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"io"
	"math/big"
	"net"
	netmail "net/mail"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/emersion/go-smtp"
)

// sink is a real SMTP server that can misbehave on purpose and keeps mailboxes
// that show a Message-ID once, as receivers do.
type sink struct {
	mu        sync.Mutex
	wire      int               // letters that arrived
	mailbox   map[string]string // Message-ID to body
	rcpt      error             // answer to RCPT
	data      error             // answer at the end of DATA
	hangUp    bool              // take the letter, then break the connection
	conns     []net.Conn
	port      int
	roots     *x509.CertPool
	subjects  []string
	encrypted bool
}

func (s *sink) NewSession(c *smtp.Conn) (smtp.Session, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	_, s.encrypted = c.TLSConnectionState()
	s.conns = append(s.conns, c.Conn())
	return &session{s}, nil
}

type session struct{ s *sink }

func (*session) Reset()                               {}
func (*session) Logout() error                        { return nil }
func (*session) Mail(string, *smtp.MailOptions) error { return nil }
func (x *session) Rcpt(string, *smtp.RcptOptions) error {
	x.s.mu.Lock()
	defer x.s.mu.Unlock()
	return x.s.rcpt
}

func (x *session) Data(r io.Reader) error {
	m, err := netmail.ReadMessage(r)
	if err != nil {
		return err
	}
	body, err := io.ReadAll(m.Body)
	if err != nil {
		return err
	}
	x.s.mu.Lock()
	defer x.s.mu.Unlock()
	if x.s.data != nil {
		return x.s.data
	}
	x.s.wire++
	x.s.mailbox[m.Header.Get("Message-Id")] = string(body)
	x.s.subjects = append(x.s.subjects, m.Header.Get("Subject"))
	if x.s.hangUp {
		for _, c := range x.s.conns {
			_ = c.Close()
		}
	}
	return nil
}

func newSink(t *testing.T) *sink {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{
		SerialNumber: big.NewInt(1), Subject: pkix.Name{CommonName: "127.0.0.1"},
		NotBefore: time.Unix(0, 0), NotAfter: time.Unix(1<<33, 0),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, IsCA: true, BasicConstraintsValid: true,
		KeyUsage: x509.KeyUsageDigitalSignature | x509.KeyUsageCertSign,
	}
	der, err := x509.CreateCertificate(rand.Reader, template, template, &key.PublicKey, key)
	if err != nil {
		t.Fatal(err)
	}
	cert, err := x509.ParseCertificate(der)
	if err != nil {
		t.Fatal(err)
	}
	s := &sink{mailbox: map[string]string{}, roots: x509.NewCertPool()}
	s.roots.AddCert(cert)
	server := smtp.NewServer(s)
	server.Domain = "localhost"
	server.TLSConfig = &tls.Config{MinVersion: tls.VersionTLS13, Certificates: []tls.Certificate{{Certificate: [][]byte{der}, PrivateKey: key}}}
	server.ErrorLog = quiet{}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	s.port = l.Addr().(*net.TCPAddr).Port
	done := make(chan struct{})
	go func() { defer close(done); _ = server.Serve(l) }()
	// The listener is closed here too: a server that has not begun to serve does not know it.
	t.Cleanup(func() { _ = server.Close(); _ = l.Close(); <-done })
	return s
}

type quiet struct{}

func (quiet) Printf(string, ...any) {}
func (quiet) Println(...any)        {}

func (s *sink) relay() SMTP {
	return SMTP{
		Host: "127.0.0.1", Port: s.port, From: "desk@practice.example", Timeout: 5 * time.Second,
		TLS: &tls.Config{MinVersion: tls.VersionTLS13, RootCAs: s.roots, ServerName: "127.0.0.1"},
	}
}

func letter() Letter {
	return Letter{ID: "m-1", Kind: "upcoming", To: "patient@mail.example", Subject: "Reminder", Body: "Your appointment is on Monday at 09:00.\n"}
}

func TestALetterArrivesEncryptedWithItsStableID(t *testing.T) {
	s := newSink(t)
	for range 2 {
		if err := s.relay().Send(t.Context(), letter()); err != nil {
			t.Fatal(err)
		}
	}
	if s.wire != 2 || len(s.mailbox) != 1 || !s.encrypted {
		t.Errorf("wire %d, mailbox %v, encrypted %v", s.wire, s.mailbox, s.encrypted)
	}
	if body := s.mailbox["<m-1@practice.example>"]; !strings.Contains(body, "Monday at 09:00") {
		t.Errorf("mailbox %v", s.mailbox)
	}
}

func TestEachKindOfFailureIsToldApart(t *testing.T) {
	for name, row := range map[string]struct {
		set  func(*sink)
		want Outcome
	}{
		"the address does not exist":         {func(s *sink) { s.rcpt = &smtp.SMTPError{Code: 550, Message: "patient@mail.example unknown"} }, Permanent},
		"the mailbox is full for now":        {func(s *sink) { s.rcpt = &smtp.SMTPError{Code: 452, Message: "later"} }, Temporary},
		"the relay refuses the content":      {func(s *sink) { s.data = &smtp.SMTPError{Code: 554, Message: "no"} }, Permanent},
		"the relay is busy after the letter": {func(s *sink) { s.data = &smtp.SMTPError{Code: 451, Message: "later"} }, Temporary},
		"taken, then the line breaks":        {func(s *sink) { s.hangUp = true }, Uncertain},
	} {
		t.Run(name, func(t *testing.T) {
			s := newSink(t)
			row.set(s)
			err := s.relay().Send(t.Context(), letter())
			if err == nil || OutcomeOf(err) != row.want {
				t.Fatalf("%v, want %s", err, row.want)
			}
			if strings.Contains(err.Error(), "patient") || strings.Contains(err.Error(), "Monday") {
				t.Errorf("the error tells of the patient: %v", err)
			}
		})
	}
}

func TestARelayThatIsAwayIsTriedAgain(t *testing.T) {
	s := newSink(t)
	r := s.relay()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	r.Port = l.Addr().(*net.TCPAddr).Port
	_ = l.Close()
	if err := r.Send(t.Context(), letter()); OutcomeOf(err) != Temporary {
		t.Error(err)
	}
}

func TestMailDoesNotTravelInTheOpen(t *testing.T) {
	s := newSink(t)
	untrusted := s.relay()
	untrusted.TLS = nil
	if err := untrusted.Send(t.Context(), letter()); err == nil {
		t.Error("an unknown certificate was accepted")
	}
	for _, host := range []string{"mail.example", "10.0.0.1"} {
		if err := (SMTP{Host: host, Port: 25, From: "a@b.example", Plain: true}).Validate(); err == nil {
			t.Errorf("%s: mail in the open was accepted", host)
		}
	}
}

func TestAnAddressThatIsNoneIsRefusedForGood(t *testing.T) {
	s := newSink(t)
	for _, to := range []string{"", "nobody", "a@b\r\nBcc: c@d.example", "two@x.example, three@x.example"} {
		l := letter()
		l.To = to
		if err := s.relay().Send(t.Context(), l); OutcomeOf(err) != Permanent {
			t.Errorf("%q: %v", to, err)
		}
	}
	if s.wire != 0 {
		t.Errorf("%d letters left", s.wire)
	}
}

func TestASubjectCannotStartAHeader(t *testing.T) {
	s := newSink(t)
	l := letter()
	l.Subject = "Hello\r\nBcc: spy@x.example"
	if err := s.relay().Send(t.Context(), l); err != nil {
		return // refused is as good
	}
	for _, m := range s.subjects {
		if strings.Contains(m, "\n") {
			t.Errorf("subject %q", m)
		}
	}
}
