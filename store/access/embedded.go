package access

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/visitwright/visitwright/store"
)

// Files of the embedded default, in its data folder.
const (
	DatabaseFile    = "visitwright.db"
	KeyFile         = "visitwright.key"
	CredentialsFile = "credentials.json"
)

// FirstPractice is the id of the practice that the embedded default makes.
const FirstPractice = "my-practice"

// firstRoles are the roles for which the first start makes a token. Who starts
// alone is reception, nurse, clinician and manager in one.
var firstRoles = []store.Role{store.RoleClinician, store.RoleManager, store.RoleReception, store.RoleNurse}

// Credentials are what the command line needs to enter: a token for each role.
// The file is readable by its owner alone.
type Credentials struct {
	Practice string                `json:"practice"`
	Tokens   map[store.Role]string `json:"tokens"`
}

// Embedded says where the embedded default lives.
type Embedded struct {
	Folder string // made when it is not there, for its owner alone
	// Database replaces the file in the folder, "postgres://..." or a path;
	// keys and credentials stay in the folder.
	Database string
	// Keys replaces the key file in the folder, by its path.
	Keys  string
	Clock func() time.Time
	Log   *slog.Logger
	// Name and Zone of the practice that a first start makes.
	Name      string // empty means "My practice"
	Zone      string // IANA; empty means "UTC"
	ReadAudit store.ReadAudit
	// Passing is a database that goes with the process: it does not wait for the
	// disk.
	Passing bool
}

// Open opens the embedded store. The first start makes a key file, the database,
// a practice with a token for each role, and the credentials file; later starts
// find them. Two first starts at once end up with the same credentials.
func (e Embedded) Open(ctx context.Context) (*store.Store, Credentials, error) {
	none := Credentials{}
	if err := os.MkdirAll(e.Folder, 0o700); err != nil {
		return nil, none, fmt.Errorf("data folder: %w", err)
	}
	keys, fresh, err := e.keys()
	if err != nil {
		return nil, none, err
	}
	config := store.Config{Database: e.database(), Keys: keys, Clock: e.Clock, Log: e.Log, ReadAudit: e.ReadAudit, NoSync: e.Passing}
	if strings.HasPrefix(config.Database, "postgres") {
		config.Clock = nil // the database's own, which all replicas share
	}
	s, err := store.Open(ctx, config)
	if err != nil {
		return nil, none, err
	}
	if _, here := os.Stat(filepath.Join(e.Folder, CredentialsFile)); fresh && errors.Is(here, fs.ErrNotExist) {
		// A key made just now cannot open what an older one sealed. Another
		// first start of this folder has left its credentials before the practice.
		practices, err := s.Practices(ctx)
		if err == nil && len(practices) > 0 {
			err = errors.Join(fmt.Errorf("%s is missing and the database is not new: put back the copy of the key file", e.keyPath()), os.Remove(e.keyPath()))
		}
		if err != nil {
			return nil, none, errors.Join(err, s.Close())
		}
	}
	c, err := e.enter(ctx, s)
	if err != nil {
		return nil, none, errors.Join(err, s.Close())
	}
	return s, c, nil
}

func (e Embedded) database() string {
	if e.Database != "" {
		return e.Database
	}
	return filepath.Join(e.Folder, DatabaseFile)
}

func (e Embedded) keyPath() string {
	if e.Keys != "" {
		return e.Keys
	}
	return filepath.Join(e.Folder, KeyFile)
}

// keys never makes a new key beside an old database: it could not open what is
// sealed there. fresh says that the key was made just now.
func (e Embedded) keys() (keys *store.Keys, fresh bool, err error) {
	path := e.keyPath()
	_, err = os.Stat(path)
	if errors.Is(err, fs.ErrNotExist) {
		if _, err := os.Stat(e.database()); err == nil {
			return nil, false, fmt.Errorf("%s is missing beside %s: put back the copy of the key file", filepath.Base(path), filepath.Base(e.database()))
		}
		err := store.CreateKeyFile(path)
		if err != nil && !errors.Is(err, store.ErrExists) {
			return nil, false, err
		}
		fresh = err == nil
	}
	keys, err = store.LoadKeyFile(path)
	return keys, fresh, err
}

// enter makes the first practice when there is none. The credentials file is
// written first: a start that dies in between finds it and goes on with it.
func (e Embedded) enter(ctx context.Context, s *store.Store) (Credentials, error) {
	path := filepath.Join(e.Folder, CredentialsFile)
	practices, err := s.Practices(ctx)
	if err != nil {
		return Credentials{}, err
	}
	if len(practices) > 0 {
		c, err := LoadCredentials(path)
		if errors.Is(err, fs.ErrNotExist) {
			return Credentials{}, nil // somebody keeps them elsewhere; serving needs none
		}
		return c, err
	}
	fresh := Credentials{Practice: FirstPractice, Tokens: map[store.Role]string{}}
	for _, r := range firstRoles {
		fresh.Tokens[r], _ = Mint(FirstPractice, r, "first start")
	}
	if err := fresh.create(path); err != nil && !errors.Is(err, fs.ErrExist) {
		return Credentials{}, err
	}
	c, err := LoadCredentials(path)
	if err != nil {
		return Credentials{}, err
	}
	made := store.NewPractice{ID: c.Practice, Name: e.Name, Zone: e.Zone}
	if made.Name == "" {
		made.Name = "My practice"
	}
	if made.Zone == "" {
		made.Zone = "UTC"
	}
	for _, r := range store.Roles() {
		text, ok := c.Tokens[r]
		if !ok {
			continue
		}
		record, ok := recordOf(text)
		if !ok || record.Practice != c.Practice {
			return Credentials{}, fmt.Errorf("%s: the token for %s is damaged: remove the file to start anew", CredentialsFile, r)
		}
		record.Role, record.Label = r, "first start"
		made.Tokens = append(made.Tokens, record)
	}
	if _, err := s.CreatePractice(ctx, made); err != nil && !errors.Is(err, store.ErrExists) {
		return Credentials{}, err
	}
	return c, nil
}

// create writes the file whole or not at all, and never over another.
func (c Credentials) create(path string) error {
	text, err := json.MarshalIndent(c, "", "  ")
	if err != nil {
		return err
	}
	f, err := os.CreateTemp(filepath.Dir(path), ".credentials-*") // mode 0600
	if err != nil {
		return err
	}
	defer func() { _ = os.Remove(f.Name()) }()
	_, err = f.Write(append(text, '\n'))
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return fmt.Errorf("credentials: %w", err)
	}
	return os.Link(f.Name(), path) // fails when the name is taken
}

// LoadCredentials reads a credentials file. It refuses one that others may read.
func LoadCredentials(path string) (Credentials, error) {
	var c Credentials
	info, err := os.Stat(path)
	if err != nil {
		return c, err
	}
	if info.Mode().Perm()&0o077 != 0 {
		return c, fmt.Errorf("%s is readable by others: set its mode to 0600", filepath.Base(path))
	}
	text, err := os.ReadFile(path)
	if err != nil {
		return c, err
	}
	if err := json.Unmarshal(text, &c); err != nil || c.Practice == "" || len(c.Tokens) == 0 {
		return Credentials{}, fmt.Errorf("%s is damaged: want a practice and its tokens", filepath.Base(path))
	}
	return c, nil
}

// Token returns the token for a role; the first one there is when role is empty,
// in the order clinician, manager, reception, nurse.
func (c Credentials) Token(role store.Role) (string, bool) {
	if role != "" {
		text, ok := c.Tokens[role]
		return text, ok
	}
	for _, r := range slices.Concat(firstRoles, store.Roles()) {
		if text, ok := c.Tokens[r]; ok {
			return text, true
		}
	}
	return "", false
}
