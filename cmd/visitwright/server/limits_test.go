package server

import (
	"testing"
	"time"
)

func TestEveryLimitHasTheValueThatIsMeant(t *testing.T) {
	for name, c := range map[string]struct{ got, want int64 }{
		"1 MiB request":          {MaxRequestBytes, 1048576},
		"8 MiB reply":            {MaxReplyBytes, 8388608},
		"16 KiB headers":         {MaxHeaderBytes, 16384},
		"250 calls a connection": {MaxStreams, 250},
		"32 workers":             {StreamWorkers, 32},
		"200 calls a second":     {CallsPerSecond, 200},
		"400 calls at once":      {CallsBurst, 400},
		"30 bad tokens a minute": {BadTokensPerMinute, 30},
		"20 bad tokens at once":  {BadTokensBurst, 20},
		"10,000 limiter keys":    {LimiterKeys, 10000},
	} {
		if c.got != c.want {
			t.Errorf("%s: got %d, want %d", name, c.got, c.want)
		}
	}
	for name, c := range map[string]struct {
		got  time.Duration
		want string
	}{
		"hello":                 {ConnectionTimeout, "10s"},
		"keepalive":             {KeepaliveLeast, "30s"},
		"idle":                  {ConnectionIdle, "15m0s"},
		"age":                   {ConnectionAge, "30m0s"},
		"age grace":             {ConnectionAgeGrace, "30s"},
		"default deadline":      {DefaultDeadline, "10s"},
		"longest deadline":      {LongestDeadline, "1m0s"},
		"held back":             {HeldBack, "20ms"},
		"least work":            {LeastWork, "10ms"},
		"session looked at":     {SessionRecheck, "5s"},
		"stop grace":            {StopGrace, "10s"},
		"HTTP headers":          {WebHeaderTimeout, "5s"},
		"HTTP request":          {WebReadTimeout, "30s"},
		"HTTP answer":           {WebAnswer, "30s"},
		"HTTP idle":             {WebIdleTimeout, "2m0s"},
		"HTTP stop grace":       {WebGrace, "5s"},
		"probe every":           {ProbeEvery, "5s"},
		"probe timeout":         {ProbeTimeout, "4.5s"},
		"refusal written":       {RefusalTimeout, "2s"},
		"certificate looked at": {CertificateCheck, "10s"},
	} {
		if c.got.String() != c.want {
			t.Errorf("%s: got %s, want %s", name, c.got, c.want)
		}
	}
}
