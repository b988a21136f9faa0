package server

import (
	"bytes"
	"context"
	"net"
	"testing"
	"time"

	"golang.org/x/net/http2"
	"golang.org/x/net/http2/hpack"
)

// TestAPathWithoutItsSlashReachesNoHandler speaks HTTP/2 by hand: a path that
// lacks the leading slash once slipped past rules written for "/service/method"
// (GHSA-p77j-4mvh-x3m3, fixed in grpc-go 1.79.3).
func TestAPathWithoutItsSlashReachesNoHandler(t *testing.T) {
	reached := false
	s, _ := start(t, testOptions(&echo{say: func(_ context.Context, text string) (string, error) {
		reached = true
		return text, nil
	}}))
	if status := rawCall(t, s.Address(), echoMethod, "amsel-clinician"); status != "0" || !reached {
		t.Fatalf("with its slash: grpc-status %q, reached %v; want 0 and true", status, reached)
	}
	for _, path := range []string{echoMethod[1:], "/" + echoMethod, "//" + echoMethod[1:], echoMethod + "/", ""} {
		reached = false
		for _, token := range []string{"", "amsel-reception", "amsel-clinician"} {
			if status := rawCall(t, s.Address(), path, token); status == "0" || reached {
				t.Errorf("path %q as %q: grpc-status %q, reached %v; want a refusal", path, token, status, reached)
			}
		}
	}
}

// rawCall sends one request frame by frame and returns the grpc-status, or
// "reset" when the stream was reset or answered with an HTTP error.
func rawCall(t *testing.T, address, path, token string) string {
	t.Helper()
	conn, err := net.Dial("tcp", address)
	if err != nil {
		t.Fatal(err)
	}
	defer func() { _ = conn.Close() }()
	if err := conn.SetDeadline(time.Now().Add(10 * time.Second)); err != nil {
		t.Fatal(err)
	}
	if _, err := conn.Write([]byte(http2.ClientPreface)); err != nil {
		t.Fatal(err)
	}
	framer := http2.NewFramer(conn, conn)
	framer.ReadMetaHeaders = hpack.NewDecoder(4096, nil)
	if err := framer.WriteSettings(); err != nil {
		t.Fatal(err)
	}
	var block bytes.Buffer
	encoder := hpack.NewEncoder(&block)
	fields := []hpack.HeaderField{
		{Name: ":method", Value: "POST"}, {Name: ":scheme", Value: "http"}, {Name: ":path", Value: path}, {Name: ":authority", Value: address},
		{Name: "content-type", Value: "application/grpc"}, {Name: "te", Value: "trailers"},
	}
	if token != "" {
		fields = append(fields, hpack.HeaderField{Name: "authorization", Value: "Bearer " + minted[token]})
	}
	for _, f := range fields {
		if err := encoder.WriteField(f); err != nil {
			t.Fatal(err)
		}
	}
	if err := framer.WriteHeaders(http2.HeadersFrameParam{StreamID: 1, BlockFragment: block.Bytes(), EndHeaders: true}); err != nil {
		t.Fatal(err)
	}
	empty := []byte{0, 0, 0, 0, 0} // an empty StringValue, uncompressed
	if err := framer.WriteData(1, true, empty); err != nil {
		t.Fatal(err)
	}
	for {
		frame, err := framer.ReadFrame()
		if err != nil {
			return "reset"
		}
		switch f := frame.(type) {
		case *http2.MetaHeadersFrame:
			for _, field := range f.Fields {
				if field.Name == "grpc-status" {
					return field.Value
				}
			}
			if f.StreamEnded() {
				return "reset"
			}
		case *http2.RSTStreamFrame, *http2.GoAwayFrame:
			return "reset"
		}
	}
}
