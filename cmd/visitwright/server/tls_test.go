package server

import (
	"crypto/ecdsa"
	"crypto/elliptic"
	"crypto/rand"
	"crypto/tls"
	"crypto/x509"
	"crypto/x509/pkix"
	"encoding/pem"
	"errors"
	"io"
	"math/big"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials"
	reflectionpb "google.golang.org/grpc/reflection/grpc_reflection_v1"
	"google.golang.org/grpc/status"
)

// writePair writes a self-signed certificate for 127.0.0.1 with a serial number.
func writePair(t *testing.T, files TLSFiles, serial int64, stamp time.Time) {
	t.Helper()
	key, err := ecdsa.GenerateKey(elliptic.P256(), rand.Reader)
	if err != nil {
		t.Fatal(err)
	}
	template := &x509.Certificate{
		SerialNumber: big.NewInt(serial), Subject: pkix.Name{CommonName: "invented practice"},
		NotBefore: time.Now().Add(-time.Hour), NotAfter: time.Now().Add(time.Hour),
		IPAddresses: []net.IP{net.IPv4(127, 0, 0, 1)}, IsCA: true, BasicConstraintsValid: true,
		KeyUsage: x509.KeyUsageDigitalSignature | x509.KeyUsageCertSign,
	}
	certificate, err := x509.CreateCertificate(rand.Reader, template, template, key.Public(), key)
	if err != nil {
		t.Fatal(err)
	}
	private, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		t.Fatal(err)
	}
	for name, block := range map[string]*pem.Block{
		files.Certificate: {Type: "CERTIFICATE", Bytes: certificate},
		files.Key:         {Type: "PRIVATE KEY", Bytes: private},
	} {
		if err := os.WriteFile(name, pem.EncodeToMemory(block), 0o600); err != nil {
			t.Fatal(err)
		}
		if err := os.Chtimes(name, stamp, stamp); err != nil {
			t.Fatal(err)
		}
	}
}

func tempPair(t *testing.T) TLSFiles {
	t.Helper()
	dir := t.TempDir()
	return TLSFiles{Certificate: filepath.Join(dir, "cert.pem"), Key: filepath.Join(dir, "key.pem")}
}

// serialSeen connects and returns the serial number of the certificate shown.
func serialSeen(t *testing.T, address string, version uint16) (int64, error) {
	t.Helper()
	conn, err := tls.Dial("tcp", address, &tls.Config{InsecureSkipVerify: true, MaxVersion: version, NextProtos: []string{"h2"}}) //nolint:gosec // the test reads the certificate itself
	if err != nil {
		return 0, err
	}
	defer func() { _ = conn.Close() }()
	return conn.ConnectionState().PeerCertificates[0].SerialNumber.Int64(), nil
}

func TestARenewedCertificateIsShownWithoutARestart(t *testing.T) {
	c := newClock()
	o := testOptions(&echo{})
	o.TLS, o.Now = tempPair(t), c.now
	writePair(t, o.TLS, 1, c.at)
	s, err := Start(o)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Stop()
	want := func(serial int64, when string) {
		t.Helper()
		if got, err := serialSeen(t, s.Address(), 0); err != nil || got != serial {
			t.Fatalf("%s: certificate %d, want %d (%v)", when, got, serial, err)
		}
	}
	want(1, "at the start")
	writePair(t, o.TLS, 2, c.at.Add(time.Minute))
	c.move(CertificateCheck)
	want(2, "after the renewal")
	if err := os.WriteFile(o.TLS.Key, []byte("half written"), 0o600); err != nil {
		t.Fatal(err)
	}
	c.move(CertificateCheck)
	want(2, "after a renewal that cannot be read")
}

func TestOldTLSIsRefused(t *testing.T) {
	o := testOptions(&echo{})
	o.TLS = tempPair(t)
	writePair(t, o.TLS, 1, time.Now())
	s, err := Start(o)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Stop()
	if _, err := serialSeen(t, s.Address(), tls.VersionTLS12); err == nil {
		t.Error("TLS 1.2 was taken, want TLS 1.3 only")
	}
	if _, err := serialSeen(t, s.Address(), tls.VersionTLS13); err != nil {
		t.Errorf("TLS 1.3: %v", err)
	}
}

func TestTLSNeedsBothFiles(t *testing.T) {
	files := tempPair(t)
	writePair(t, files, 1, time.Now())
	for _, half := range []TLSFiles{{Certificate: files.Certificate}, {Key: files.Key}, {Certificate: files.Certificate, Key: files.Certificate}} {
		o := testOptions(&echo{})
		o.TLS = half
		if s, err := Start(o); err == nil {
			s.Stop()
			t.Errorf("%+v was taken", half)
		}
	}
}

func TestAClientWithoutTheAskedForCertificateIsRefused(t *testing.T) {
	o := testOptions(&echo{})
	o.TLS = tempPair(t)
	writePair(t, o.TLS, 1, time.Now())
	o.TLS.ClientCA = o.TLS.Certificate
	s, err := Start(o)
	if err != nil {
		t.Fatal(err)
	}
	defer s.Stop()
	shake := func(certificates []tls.Certificate) error {
		conn, err := tls.Dial("tcp", s.Address(), &tls.Config{InsecureSkipVerify: true, Certificates: certificates, NextProtos: []string{"h2"}}) //nolint:gosec // only the server's side is tested
		if err != nil {
			return err
		}
		defer func() { _ = conn.Close() }()
		// In TLS 1.3 the refusal arrives with the first read.
		if err := conn.SetReadDeadline(time.Now().Add(5 * time.Second)); err != nil {
			return err
		}
		_, err = conn.Read(make([]byte, 1))
		return err
	}
	if err := shake(nil); err == nil || !strings.Contains(err.Error(), "certificate") {
		t.Errorf("without a certificate: %v, want a refusal", err)
	}
	pair, err := tls.LoadX509KeyPair(o.TLS.Certificate, o.TLS.Key)
	if err != nil {
		t.Fatal(err)
	}
	if err := shake([]tls.Certificate{pair}); err != nil {
		t.Errorf("with the certificate: %v", err)
	}
}

func TestReflectionIsServedToOthersOnlyWhenAskedFor(t *testing.T) {
	for _, c := range []struct {
		listen string
		flag   bool
		want   codes.Code
	}{{"127.0.0.1:0", false, codes.OK}, {"0.0.0.0:0", false, codes.Unimplemented}, {"0.0.0.0:0", true, codes.OK}} {
		o := testOptions(&echo{})
		o.Listen, o.Reflection, o.TLS = c.listen, c.flag, tempPair(t)
		writePair(t, o.TLS, 1, time.Now())
		s, err := Start(o)
		if err != nil {
			t.Fatal(err)
		}
		_, port, err := net.SplitHostPort(s.Address())
		if err != nil {
			t.Fatal(err)
		}
		conn, err := grpc.NewClient("127.0.0.1:"+port, grpc.WithTransportCredentials(credentials.NewTLS(&tls.Config{InsecureSkipVerify: true}))) //nolint:gosec // the certificate is not what is tested
		if err != nil {
			t.Fatal(err)
		}
		stream, err := reflectionpb.NewServerReflectionClient(conn).ServerReflectionInfo(t.Context())
		if err == nil {
			// A stream that was refused already takes no message; Recv says why.
			err = stream.Send(&reflectionpb.ServerReflectionRequest{MessageRequest: &reflectionpb.ServerReflectionRequest_ListServices{}})
		}
		if err == nil || errors.Is(err, io.EOF) {
			_, err = stream.Recv()
		}
		if got := status.Code(err); got != c.want {
			t.Errorf("listening on %s, flag %v: %v, want %v", c.listen, c.flag, got, c.want)
		}
		if err := conn.Close(); err != nil {
			t.Error(err)
		}
		s.Stop()
	}
}
