package main

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/visitwright/visitwright/store"
	"github.com/visitwright/visitwright/store/access"
)

// where says which service a command talks to, and as whom. Without --server it
// is the same service inside this process, on the database of the data folder.
type where struct {
	Server   string `help:"A running service, host:port. Without it the command runs its own, inside this process." env:"VISITWRIGHT_SERVER" placeholder:"HOST:PORT" group:"Where"`
	CA       string `name:"ca" help:"PEM file of the authority that signed the service's certificate." env:"VISITWRIGHT_CA" placeholder:"FILE" group:"Where"`
	TLS      bool   `name:"tls" help:"Use TLS with the authorities that this machine trusts." group:"Where"`
	Token    string `help:"Access token; better in the environment than on the command line." env:"VISITWRIGHT_TOKEN" placeholder:"TOKEN" group:"Where"`
	Practice string `help:"Id of the practice, when the token file does not say." env:"VISITWRIGHT_PRACTICE" placeholder:"ID" group:"Where"`
	As       string `help:"Speak as this role, with the token that the data folder holds: reception, nurse, clinician, manager." placeholder:"ROLE" group:"Where"`

	Data     string `help:"Folder for database, keys and tokens." env:"VISITWRIGHT_DATA" placeholder:"DIR" group:"Where"`
	Database string `help:"Database: a SQLite file, or postgres://... Without it the file in the data folder." env:"VISITWRIGHT_DATABASE" placeholder:"FILE|URL" group:"Where"`
	KeyFile  string `help:"Key file that seals labels, phones and addresses. Without it the one in the data folder." env:"VISITWRIGHT_KEY_FILE" placeholder:"FILE" group:"Where"`

	Output string `short:"o" help:"How to answer: text or json." enum:"text,json" default:"text" group:"Where"`
}

// settle fills in what was not given, and makes the data folder.
func (w *where) settle() error {
	if err := w.locate(); err != nil {
		return err
	}
	return os.MkdirAll(w.Data, 0o700)
}

// locate says which folder has the data, and makes none.
func (w *where) locate() error {
	if w.Data == "" {
		folder, err := os.UserConfigDir()
		if err != nil {
			return fmt.Errorf("no folder for the data: %w; give --data", err)
		}
		w.Data = filepath.Join(folder, "visitwright")
	}
	return nil
}

// remembered is what the data folder holds for the command line, if anything.
func (w *where) remembered() (access.Credentials, error) {
	c, err := access.LoadCredentials(filepath.Join(w.Data, access.CredentialsFile))
	if errors.Is(err, fs.ErrNotExist) {
		return access.Credentials{}, nil
	}
	return c, err
}

// roleFor is the role that a command needs when --as does not say: people who
// sit at their own machine hold all of them.
func roleFor(command string) store.Role {
	first, rest, _ := strings.Cut(command, " ")
	switch {
	case first == "audit", first == "person", first == "take-in", first == "jobs", first == "message" && managersMessages(rest), first == "diary" && (strings.HasPrefix(rest, "settings change") || strings.HasPrefix(rest, "feed")), first == "resource", first == "hours", first == "closure", first == "settings" && strings.HasPrefix(rest, "change"), first == "clinician" && !strings.HasPrefix(rest, "list"):
		return store.RoleManager
	}
	return store.RoleClinician
}

// managersMessages reports whether a message command is the manager's: what the
// practice says to patients, and sending it from outside.
func managersMessages(command string) bool {
	verb, _, _ := strings.Cut(command, " ")
	return slices.Contains([]string{"policy", "template", "claim", "letter", "sent", "fail"}, verb)
}

// credentials chooses practice and token: what was given, else what the data
// folder holds.
func (w *where) credentials(command string, kept access.Credentials) (practice, token string, err error) {
	practice, token = w.Practice, w.Token
	if token == "" {
		role := store.Role(w.As)
		if role == "" {
			role = roleFor(command)
		}
		var found bool
		if token, found = kept.Token(role); !found {
			return "", "", fmt.Errorf("no token of role %s in %s: give --token, or make one with `visitwright token create %s`", role, w.Data, role)
		}
		if practice == "" {
			practice = kept.Practice
		}
	}
	// A token names its practice: "vw1.<practice>.<id>.<secret>".
	if parts := strings.Split(token, "."); practice == "" && len(parts) == 4 {
		practice = parts[1]
	}
	if practice == "" {
		return "", "", errors.New("which practice? give --practice")
	}
	return practice, token, nil
}
