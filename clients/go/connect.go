// Package client is the typed Go client of Visitwright.
//
// Connect makes a Client; every call through it has a deadline, carries the
// token, is repeated when that is safe, and returns an *Error with the reason
// from the contract's catalogue when the service refuses.
package client

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"net"
	"os"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/credentials"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/metadata"
)

// DefaultDeadline is given to a call whose context has no deadline.
const DefaultDeadline = 10 * time.Second

// MaxReplyBytes is the largest reply taken: a plan with its complete model.
const MaxReplyBytes = 8 << 20

// Options says how to reach a service and as whom.
type Options struct {
	// Token is the access token, "vw_...". Empty calls without one.
	Token string
	// CA is a PEM file of the authority that signed the server's certificate;
	// empty trusts the system's. Plaintext is used on loopback when neither CA
	// nor TLS is set, and refused elsewhere.
	CA  string
	TLS bool
	// Deadline replaces DefaultDeadline when above 0.
	Deadline time.Duration
	// Dial replaces the network: the in-process connection of the command line.
	Dial func(context.Context) (net.Conn, error)
}

// ErrPlaintext is returned for a token that would travel in the clear.
var ErrPlaintext = errors.New("refusing to send a token without TLS to another machine")

// connect opens the connection below a Client. It does not wait for the server.
func connect(target string, o Options) (*grpc.ClientConn, error) {
	if o.Deadline <= 0 {
		o.Deadline = DefaultDeadline
	}
	transport, err := o.transport(target)
	if err != nil {
		return nil, err
	}
	options := []grpc.DialOption{
		grpc.WithTransportCredentials(transport),
		grpc.WithDefaultServiceConfig(serviceConfig),
		grpc.WithDefaultCallOptions(grpc.MaxCallRecvMsgSize(MaxReplyBytes)),
		grpc.WithChainUnaryInterceptor(typedUnary, deadlineUnary(o.Deadline), requestIDUnary),
		grpc.WithChainStreamInterceptor(typedStream),
	}
	options = append(options, grpc.WithPerRPCCredentials(bearerToken(o.Token)))
	if o.Dial != nil {
		dial := o.Dial
		options = append(options, grpc.WithContextDialer(func(ctx context.Context, _ string) (net.Conn, error) { return dial(ctx) }))
		target = "passthrough:///in-process"
	}
	conn, err := grpc.NewClient(target, options...)
	if err != nil {
		return nil, fmt.Errorf("service address %q: %w", target, err)
	}
	return conn, nil
}

func (o Options) transport(target string) (credentials.TransportCredentials, error) {
	switch {
	case o.Dial != nil:
		return insecure.NewCredentials(), nil
	case o.CA != "":
		pem, err := os.ReadFile(o.CA)
		if err != nil {
			return nil, fmt.Errorf("certificate authority: %w", err)
		}
		pool := x509.NewCertPool()
		if !pool.AppendCertsFromPEM(pem) {
			return nil, fmt.Errorf("certificate authority %s: no PEM certificate in it", o.CA)
		}
		return credentials.NewTLS(&tls.Config{MinVersion: tls.VersionTLS13, RootCAs: pool}), nil
	case o.TLS:
		return credentials.NewTLS(&tls.Config{MinVersion: tls.VersionTLS13}), nil
	}
	host, _, err := net.SplitHostPort(target)
	if err != nil {
		return nil, fmt.Errorf("service address %q: want host:port, for example 127.0.0.1:7646", target)
	}
	if ip := net.ParseIP(host); host != "localhost" && (ip == nil || !ip.IsLoopback()) {
		return nil, fmt.Errorf("%w: %s", ErrPlaintext, target)
	}
	return insecure.NewCredentials(), nil
}

// deadlineUnary gives a deadline to calls that have none.
func deadlineUnary(after time.Duration) grpc.UnaryClientInterceptor {
	return func(ctx context.Context, method string, request, reply any, conn *grpc.ClientConn, invoke grpc.UnaryInvoker, options ...grpc.CallOption) error {
		if _, given := ctx.Deadline(); !given {
			var cancel context.CancelFunc
			ctx, cancel = context.WithTimeout(ctx, after)
			defer cancel()
		}
		return invoke(ctx, method, request, reply, conn, options...)
	}
}

type tokenKey struct{}

// WithToken returns a context whose calls carry this token in place of the
// client's own: one client serves the sessions of many people.
func WithToken(ctx context.Context, token string) context.Context {
	return context.WithValue(ctx, tokenKey{}, token)
}

// Unattended returns a context whose calls say that nobody stands behind them,
// so that they do not keep a person's session alive: a screen that refreshes
// itself, for example.
func Unattended(ctx context.Context) context.Context {
	return metadata.AppendToOutgoingContext(ctx, "visitwright-unattended", "1")
}

// bearerToken sends the token with each call, or the one of the call's context.
type bearerToken string

func (t bearerToken) GetRequestMetadata(ctx context.Context, _ ...string) (map[string]string, error) {
	token := string(t)
	if own, ok := ctx.Value(tokenKey{}).(string); ok {
		token = own
	}
	if token == "" {
		return nil, nil
	}
	return map[string]string{"authorization": "Bearer " + token}, nil
}

// RequireTransportSecurity is false because connect has already refused
// plaintext outside this machine.
func (bearerToken) RequireTransportSecurity() bool { return false }
