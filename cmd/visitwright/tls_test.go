package main

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/x509"
	"encoding/pem"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// certificate writes a self-signed certificate for 127.0.0.1 and its key.
func certificate(t *testing.T) (certFile, keyFile string) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{
		SerialNumber: big.NewInt(1), NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, IsCA: true, BasicConstraintsValid: true,
		KeyUsage: x509.KeyUsageDigitalSignature | x509.KeyUsageCertSign,
	}
	cert, err := x509.CreateCertificate(rand.Reader, template, template, key.Public(), key)
	if err != nil {
		t.Fatal(err)
	}
	private, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	certFile, keyFile = filepath.Join(dir, "cert.pem"), filepath.Join(dir, "key.pem")
	for name, block := range map[string]*pem.Block{certFile: {Type: "CERTIFICATE", Bytes: cert}, keyFile: {Type: "PRIVATE KEY", Bytes: private}} {
		if err := os.WriteFile(name, pem.EncodeToMemory(block), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	return certFile, keyFile
}

func TestTheCommandLineReachesAServiceOverTLSWhoseAuthorityItKnows(t *testing.T) {
	cert, key := certificate(t)
	h := newHome(t)
	s := h.serve("--tls-cert", cert, "--tls-key", key)
	h.must("patient", "add", "INVENTED-1", "--server", s.address, "--ca", cert)
	if out := h.must("patient", "list", "--server", s.address, "--ca", cert); !strings.Contains(out, "INVENTED-1") {
		t.Errorf("the list shows\n%s", out)
	}
	stranger, _ := certificate(t)
	for _, with := range [][]string{nil, {"--tls"}, {"--ca", stranger}} {
		if a := h.run(append([]string{"patient", "list", "--server", s.address}, with...)...); a.code != exitRefused {
			t.Errorf("%v: exit %d, want a refusal\n%s", with, a.code, a.out)
		}
	}
}
