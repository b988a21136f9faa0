// Package sinktest is a real SMTP server for tests, over TLS, that can
// misbehave on purpose and keeps mailboxes that show a Message-ID once, as
// receivers do that honour it.
package sinktest

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"io"
	"maps"
	"math/big"
	"net"
	netmail "net/mail"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/emersion/go-smtp"
)

// Sink is the server.
type Sink struct {
	Host  string
	Port  int
	Roots *x509.CertPool // trusts its certificate

	mu sync.Mutex
	b  Behaviour
	st State
	cs []net.Conn
}

// Behaviour is how the server misbehaves; the zero value takes everything.
type Behaviour struct {
	Rcpt error // answer to RCPT
	Data error // answer at the end of DATA
	// FailEvery answers every so many letters with a temporary failure at the
	// end of DATA, 0 none.
	FailEvery int
	HangUp    bool // take the letter, then break the connection
}

// State is what happened so far.
type State struct {
	Offered   int               // letters whose DATA came to its end
	Wire      int               // of these, taken
	Mailbox   map[string]string // Message-ID to body, each shown once
	Taken     map[string]int    // Message-ID to times taken
	Subjects  []string
	Encrypted bool // the last session
}

// New starts a server that stops with the test.
func New(t testing.TB) *Sink {
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
	s := &Sink{Host: "127.0.0.1", Roots: x509.NewCertPool(), st: State{Mailbox: map[string]string{}, Taken: map[string]int{}}}
	s.Roots.AddCert(cert)
	server := smtp.NewServer(s)
	server.Domain = "localhost"
	server.TLSConfig = &tls.Config{MinVersion: tls.VersionTLS13, Certificates: []tls.Certificate{{Certificate: [][]byte{der}, PrivateKey: key}}}
	server.ErrorLog = quiet{}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	s.Port = l.Addr().(*net.TCPAddr).Port
	done := make(chan struct{})
	go func() { defer close(done); _ = server.Serve(l) }()
	// The listener is closed here too: a server that has not begun to serve does not know it.
	t.Cleanup(func() { _ = server.Close(); _ = l.Close(); <-done })
	return s
}

// TLS is what a client needs to trust the server.
func (s *Sink) TLS() *tls.Config {
	return &tls.Config{MinVersion: tls.VersionTLS13, RootCAs: s.Roots, ServerName: s.Host}
}

// Behave changes how the server behaves from now on.
func (s *Sink) Behave(b Behaviour) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.b = b
}

// State is a copy of what happened so far.
func (s *Sink) State() State {
	s.mu.Lock()
	defer s.mu.Unlock()
	out := s.st
	out.Mailbox, out.Taken, out.Subjects = maps.Clone(s.st.Mailbox), maps.Clone(s.st.Taken), slices.Clone(s.st.Subjects)
	return out
}

// NewSession implements smtp.Backend.
func (s *Sink) NewSession(c *smtp.Conn) (smtp.Session, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	_, s.st.Encrypted = c.TLSConnectionState()
	if s.b.HangUp {
		s.cs = append(s.cs, c.Conn())
	}
	return &session{s}, nil
}

type session struct{ s *Sink }

func (*session) Reset()                               {}
func (*session) Logout() error                        { return nil }
func (*session) Mail(string, *smtp.MailOptions) error { return nil }
func (x *session) Rcpt(string, *smtp.RcptOptions) error {
	x.s.mu.Lock()
	defer x.s.mu.Unlock()
	return x.s.b.Rcpt
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
	s := x.s
	s.mu.Lock()
	defer s.mu.Unlock()
	s.st.Offered++
	if s.b.Data != nil {
		return s.b.Data
	}
	if n := s.b.FailEvery; n > 0 && s.st.Offered%n == 0 {
		return &smtp.SMTPError{Code: 451, EnhancedCode: smtp.EnhancedCode{4, 3, 0}, Message: "busy"}
	}
	s.st.Wire++
	id := m.Header.Get("Message-Id")
	s.st.Mailbox[id] = string(body)
	s.st.Taken[id]++
	s.st.Subjects = append(s.st.Subjects, m.Header.Get("Subject"))
	if s.b.HangUp {
		for _, c := range s.cs {
			_ = c.Close()
		}
	}
	return nil
}

type quiet struct{}

func (quiet) Printf(string, ...any) {}
func (quiet) Println(...any)        {}
