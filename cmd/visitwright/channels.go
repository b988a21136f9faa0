package main

import (
	"fmt"
	"os"
	"strings"
	"time"

	"github.com/visitwright/visitwright/clients/cli"
	"github.com/visitwright/visitwright/scheduler"
	"github.com/visitwright/visitwright/scheduler/channel"
)

// ChannelFlags says by what messages to patients leave. Without any, they stay
// on the practice's call list.
type ChannelFlags struct {
	SMTPHost      string `name:"smtp-host" help:"Relay for e-mail, spoken to over TLS." placeholder:"HOST" group:"Messages"`
	SMTPPort      int    `name:"smtp-port" help:"Its port." default:"587" placeholder:"PORT" group:"Messages"`
	SMTPFrom      string `name:"smtp-from" help:"The practice's own address." placeholder:"ADDRESS" group:"Messages"`
	SMTPUser      string `name:"smtp-user" help:"Name to sign in with; without it nobody signs in." placeholder:"NAME" group:"Messages"`
	SMTPPassword  string `name:"smtp-password-file" help:"File with the password." placeholder:"FILE" group:"Messages"`
	SMTPPlain     bool   `name:"smtp-plain" help:"Speak without TLS; only to a relay on this machine." group:"Messages"`
	WebhookURL    string `name:"webhook-url" help:"Gateway for text messages, posted to and signed by the Standard Webhooks scheme." placeholder:"URL" group:"Messages"`
	WebhookSecret string `name:"webhook-secret-file" help:"File with its secret, whsec_..." placeholder:"FILE" group:"Messages"`
	WebhookInside bool   `name:"webhook-inside" help:"The gateway may be inside the practice's own network." group:"Messages"`
}

func (f *ChannelFlags) channels(now func() time.Time) (scheduler.Channels, error) {
	channels := scheduler.Channels{}
	if f.SMTPHost != "" {
		password, err := secretFrom(f.SMTPPassword)
		if err != nil {
			return nil, err
		}
		relay := channel.SMTP{Host: f.SMTPHost, Port: f.SMTPPort, From: f.SMTPFrom, Username: f.SMTPUser, Password: password, Plain: f.SMTPPlain}
		if err := relay.Validate(); err != nil {
			return nil, fmt.Errorf("%w: %w", cli.ErrUsage, err)
		}
		channels["email"] = relay
	}
	if f.WebhookURL != "" {
		text, err := secretFrom(f.WebhookSecret)
		if err != nil {
			return nil, err
		}
		secret, err := channel.ParseSecret(text)
		if err != nil {
			return nil, fmt.Errorf("%w: --webhook-secret-file: %w", cli.ErrUsage, err)
		}
		gateway := channel.Webhook{URL: f.WebhookURL, Secret: secret, Private: f.WebhookInside, Now: now}
		if err := gateway.Validate(); err != nil {
			return nil, fmt.Errorf("%w: %w", cli.ErrUsage, err)
		}
		channels["text"] = gateway
	}
	return channels, nil
}

// secretFrom reads a secret from its file, so that it stands on no command
// line; "" for no file.
func secretFrom(name string) (string, error) {
	if name == "" {
		return "", nil
	}
	text, err := os.ReadFile(name)
	if err != nil {
		return "", fmt.Errorf("%w: %w", cli.ErrUsage, err)
	}
	return strings.TrimSpace(string(text)), nil
}
