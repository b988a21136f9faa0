package server

import "time"

// Limits of one server. Each is spelled out again in limits_test.go, so that a
// slip of a digit is seen.
const (
	// MaxRequestBytes is the largest request taken, in bytes. A case with every
	// answer filled in is below 64 KiB.
	MaxRequestBytes = 1 << 20
	// MaxReplyBytes is the largest reply sent, in bytes: a plan with its
	// complete model and every table fits several times over.
	MaxReplyBytes = 8 << 20
	// MaxHeaderBytes is the largest set of request headers, in bytes.
	MaxHeaderBytes = 16 << 10
	// MaxStreams is the number of calls that one connection may have open.
	MaxStreams = 250

	// StreamWorkers is how many calls are worked on by goroutines that stay.
	StreamWorkers = 32

	// ConnectionTimeout is how long a new connection may take to say hello.
	ConnectionTimeout = 10 * time.Second
	// KeepaliveLeast is the shortest interval at which a client may ping.
	KeepaliveLeast = 30 * time.Second
	// ConnectionIdle closes a connection without calls.
	ConnectionIdle = 15 * time.Minute
	// ConnectionAge asks a client to connect again, so that replicas share load.
	ConnectionAge = 30 * time.Minute
	// ConnectionAgeGrace is what calls under way get after ConnectionAge.
	ConnectionAgeGrace = 30 * time.Second

	// DefaultDeadline is given to a call that came without a deadline.
	DefaultDeadline = 10 * time.Second
	// LongestDeadline is the longest that one call may work, whatever it asks.
	LongestDeadline = 60 * time.Second
	// HeldBack is kept from the caller's deadline so that the answer, or the
	// reason why there is none, still reaches it.
	HeldBack = 20 * time.Millisecond
	// LeastWork is the shortest time worth beginning a call for.
	LeastWork = 10 * time.Millisecond

	// CallsPerSecond is what one token may call on average.
	CallsPerSecond = 200
	// CallsBurst is what one token may call at once after a pause.
	CallsBurst = 400
	// BadTokensPerMinute is how many calls with an unknown token one address
	// may make on average before it is put off.
	BadTokensPerMinute = 30
	// BadTokensBurst is how many it may make at once after a pause.
	BadTokensBurst = 20
	// LimiterKeys bounds the memory of a rate limiter, in tokens or addresses.
	LimiterKeys = 10_000

	// SessionRecheck is how often a stream looks whether its session is still
	// in force.
	SessionRecheck = 5 * time.Second

	// StopGrace is how long calls under way may take when the server stops.
	StopGrace = 10 * time.Second
	// ProbeEvery is the interval at which health asks the store.
	ProbeEvery = 5 * time.Second
	// ProbeTimeout is how long the store may take to answer health.
	ProbeTimeout = 4500 * time.Millisecond

	// RefusalTimeout is how long writing down a refused call may take.
	RefusalTimeout = 2 * time.Second

	// WebHeaderTimeout and WebReadTimeout are how long an HTTP request may take
	// to arrive.
	WebHeaderTimeout = 5 * time.Second
	WebReadTimeout   = 30 * time.Second
	// WebAnswer is how long an HTTP answer that is no stream may take.
	WebAnswer = 30 * time.Second
	// WebIdleTimeout closes an HTTP connection without requests.
	WebIdleTimeout = 2 * time.Minute
	// WebGrace is how long HTTP answers under way may take when the server stops.
	WebGrace = 5 * time.Second

	// CertificateCheck is how often the certificate files are looked at again.
	CertificateCheck = 10 * time.Second
)
