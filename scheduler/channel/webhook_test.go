package channel

import (
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"testing"
	"time"
)

var noon = time.Date(2026, 3, 2, 12, 0, 0, 0, time.UTC)

func hook(url string, private bool, server *httptest.Server) Webhook {
	w := Webhook{URL: url, Secret: []byte(strings.Repeat("k", 32)), Private: private, Now: func() time.Time { return noon }, Timeout: 5 * time.Second}
	if server != nil {
		w.Client = server.Client()
	}
	return w
}

// The example of the Standard Webhooks specification and its reference
// libraries (from memory; the signature is computed here and agrees).
func TestTheSignatureIsThatOfTheOpenStandard(t *testing.T) {
	secret, err := ParseSecret("whsec_MfKQ9r8GKYqrTwjUPD8ILPZIo2LaLaSw")
	if err != nil {
		t.Fatal(err)
	}
	got := Sign(secret, "msg_p5jXN8AQM9LWM0D4loKWxJek", "1614265330", []byte(`{"test": 2432232314}`))
	if want := "g0hM9SsE+OTPJTGt/tmIKtSyZlE3uFJELVlNIOLJ1OE="; got != want {
		t.Errorf("%s, want %s", got, want)
	}
}

func TestAGatewayGetsASignedLetterWithAStableID(t *testing.T) {
	var id, signature, want string
	server := httptest.NewTLSServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		body, _ := io.ReadAll(r.Body)
		id, signature = r.Header.Get("webhook-id"), r.Header.Get("webhook-signature")
		want = "v1," + Sign([]byte(strings.Repeat("k", 32)), id, r.Header.Get("webhook-timestamp"), body)
		w.WriteHeader(http.StatusAccepted)
	}))
	defer server.Close()
	if err := hook(server.URL, true, server).Send(t.Context(), letter()); err != nil {
		t.Fatal(err)
	}
	if id != "m-1" || signature != want {
		t.Errorf("id %q, signature %q, want %q", id, signature, want)
	}
}

func TestAnswersOfAGatewayAreToldApart(t *testing.T) {
	for code, want := range map[int]Outcome{400: Permanent, 404: Permanent, 302: Permanent, 408: Temporary, 429: Temporary, 500: Temporary, 503: Temporary} {
		server := httptest.NewTLSServer(http.HandlerFunc(func(w http.ResponseWriter, _ *http.Request) {
			w.Header().Set("Location", "https://elsewhere.example/")
			w.WriteHeader(code)
		}))
		if got := OutcomeOf(hook(server.URL, true, server).Send(t.Context(), letter())); got != want {
			t.Errorf("%d: %s, want %s", code, got, want)
		}
		server.Close()
	}
	server := httptest.NewTLSServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { panic(http.ErrAbortHandler) }))
	defer server.Close()
	if got := OutcomeOf(hook(server.URL, true, server).Send(t.Context(), letter())); got != Uncertain {
		t.Errorf("the line breaks without an answer: %s", got)
	}
}

func TestPrivateAddressesAreRefusedUnlessAllowed(t *testing.T) {
	for _, url := range []string{
		"https://127.0.0.1/x", "https://10.1.2.3/x", "https://192.168.0.9/x", "https://172.16.0.1/x",
		"https://169.254.169.254/x", "https://[::1]/x", "https://[fd00::1]/x", "https://[::ffff:10.0.0.1]/x", "https://100.64.0.1/x", "https://0.0.0.0/x",
		"http://mail.example/x", "ftp://mail.example/x", "https://user@mail.example/x", "nonsense",
	} {
		if err := hook(url, false, nil).Validate(); err == nil {
			t.Errorf("%s was accepted", url)
		}
	}
	// A name that leads inside is refused when it is dialled.
	server := httptest.NewTLSServer(http.HandlerFunc(func(http.ResponseWriter, *http.Request) { t.Error("reached") }))
	defer server.Close()
	named := strings.Replace(server.URL, "127.0.0.1", "localhost", 1)
	if err := hook(named, false, server).Send(t.Context(), letter()); OutcomeOf(err) != Permanent {
		t.Errorf("a name that leads to this machine: %v", err)
	}
}
