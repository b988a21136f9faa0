package server

import (
	"errors"
	"fmt"
	"net"
)

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
	addresses, err := net.LookupIP(host)
	if err != nil || len(addresses) == 0 {
		return false
	}
	for _, ip := range addresses {
		if !ip.IsLoopback() {
			return false
		}
	}
	return true
}
