package server

import (
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"sync"
	"time"
)

// TLSFiles names the files of the server's certificate. The zero value means
// no TLS.
type TLSFiles struct {
	Certificate string // PEM chain, the server's own certificate first
	Key         string // PEM private key
	ClientCA    string // PEM; when set, a client must show a certificate signed by it
}

// Set reports whether any file was named.
func (f TLSFiles) Set() bool { return f != TLSFiles{} }

// config builds a TLS 1.3 configuration that follows the files as they are
// renewed.
func (f TLSFiles) config(now func() time.Time, log *slog.Logger) (*tls.Config, error) {
	if f.Certificate == "" || f.Key == "" {
		return nil, errors.New("TLS needs both a certificate file and a key file")
	}
	pair := &renewedPair{files: f, now: now, log: log}
	if err := pair.load(); err != nil {
		return nil, err
	}
	pair.looked = now()
	config := &tls.Config{MinVersion: tls.VersionTLS13, GetCertificate: pair.get}
	if f.ClientCA != "" {
		pem, err := os.ReadFile(f.ClientCA)
		if err != nil {
			return nil, fmt.Errorf("client certificate authority: %w", err)
		}
		config.ClientCAs = x509.NewCertPool()
		if !config.ClientCAs.AppendCertsFromPEM(pem) {
			return nil, fmt.Errorf("client certificate authority %s: no PEM certificate in it", f.ClientCA)
		}
		config.ClientAuth = tls.RequireAndVerifyClientCert
	}
	return config, nil
}

// renewedPair serves the newest readable certificate. A renewal that cannot be
// read (half written, key of another certificate) leaves the old one in use.
type renewedPair struct {
	files TLSFiles
	now   func() time.Time
	log   *slog.Logger

	mu       sync.Mutex
	pair     *tls.Certificate
	looked   time.Time
	modified [2]time.Time
}

func (p *renewedPair) get(*tls.ClientHelloInfo) (*tls.Certificate, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	if now := p.now(); now.Sub(p.looked) >= CertificateCheck {
		p.looked = now
		if modified, err := p.stamps(); err != nil || modified != p.modified {
			if err := p.load(); err != nil {
				p.log.Warn("the renewed certificate cannot be read; the old one stays in use", "error", err)
			}
		}
	}
	return p.pair, nil
}

func (p *renewedPair) load() error {
	modified, err := p.stamps()
	if err != nil {
		return fmt.Errorf("TLS certificate: %w", err)
	}
	pair, err := tls.LoadX509KeyPair(p.files.Certificate, p.files.Key)
	if err != nil {
		return fmt.Errorf("TLS certificate: %w", err)
	}
	p.pair, p.modified = &pair, modified
	return nil
}

func (p *renewedPair) stamps() (stamps [2]time.Time, err error) {
	for i, name := range []string{p.files.Certificate, p.files.Key} {
		info, err := os.Stat(name)
		if err != nil {
			return stamps, err
		}
		stamps[i] = info.ModTime()
	}
	return stamps, nil
}
