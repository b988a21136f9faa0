package server

import (
	"context"
	"errors"
	"fmt"
	"net"
	"time"
)

// nameLookup is how long a host name may take to resolve; one that does not is
// taken for another machine's.
const nameLookup = 2 * time.Second

// ErrPlaintext is returned when a server would offer patient data in the clear
// to other machines.
var ErrPlaintext = errors.New("refusing to listen without TLS outside this machine")

// checkAddress refuses an address that other machines can reach unless TLS is on.
func checkAddress(address string, encrypted bool) error {
	host, _, err := net.SplitHostPort(address)
	if err != nil {
		return fmt.Errorf("listen address %q: want host:port, for example 127.0.0.1:7646", address)
	}
	if encrypted || isLoopback(host) {
		return nil
	}
	return fmt.Errorf("%w: %q is not a loopback address; give --tls-cert and --tls-key, or listen on 127.0.0.1", ErrPlaintext, address)
}

// isLoopback reports whether only this machine can reach the host. An empty
// host means every interface. A name counts when all its addresses do.
func isLoopback(host string) bool {
	if host == "" {
		return false
	}
	if ip := net.ParseIP(host); ip != nil {
		return ip.IsLoopback()
	}
	ctx, cancel := context.WithTimeout(context.Background(), nameLookup)
	defer cancel()
	addresses, err := net.DefaultResolver.LookupIPAddr(ctx, host)
	if err != nil || len(addresses) == 0 {
		return false
	}
	for _, found := range addresses {
		if !found.IP.IsLoopback() {
			return false
		}
	}
	return true
}
