package server

import (
	"context"
	"net"

	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/test/bufconn"
)

// insideBytes is the buffer of a connection inside the process.
const insideBytes = 256 << 10

// insideNetwork is what a connection inside the process calls its network.
const insideNetwork = "bufconn"

// Inside returns how a client in this process reaches the server: through the
// whole chain like any other, but without the network and its TLS.
func (s *Server) Inside() func(context.Context) (net.Conn, error) { return s.inside.DialContext }

// orInside takes a connection inside the process without a handshake: nobody
// else can make one.
type orInside struct {
	credentials.TransportCredentials
	plain credentials.TransportCredentials
}

func newOrInside(tls credentials.TransportCredentials) credentials.TransportCredentials {
	return orInside{tls, insecure.NewCredentials()}
}

func (c orInside) ServerHandshake(conn net.Conn) (net.Conn, credentials.AuthInfo, error) {
	if conn.LocalAddr().Network() == insideNetwork {
		return c.plain.ServerHandshake(conn)
	}
	return c.TransportCredentials.ServerHandshake(conn)
}

func (c orInside) Clone() credentials.TransportCredentials {
	return orInside{c.TransportCredentials.Clone(), c.plain.Clone()}
}

func listenInside() *bufconn.Listener { return bufconn.Listen(insideBytes) }
