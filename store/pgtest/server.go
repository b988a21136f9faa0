// Package pgtest runs a private PostgreSQL for tests: its own data folder, a
// Unix socket and no port, gone when the tests end.
//
// It never skips. A machine without PostgreSQL's server programs fails the test
// with what to install.
package pgtest

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"time"

	_ "github.com/lib/pq" // registers "postgres"
)

// Owner is the role that owns the test databases. It is no superuser, so that
// row security holds for it.
const Owner = "visitwright"

const startTimeout = 30 * time.Second

// Options of a server.
type Options struct {
	// Durable waits for the disk as a production server does. Tests that
	// measure, and tests that kill the machine, ask for it; others do without.
	Durable bool
	// Settings are further settings, for example "max_connections=300".
	Settings []string
}

// Server is a running PostgreSQL.
type Server struct {
	dir     string
	bin     string
	options Options
	cmd     *exec.Cmd
	exited  chan struct{}
	log     *os.File
}

// Start makes a new cluster and runs it.
func Start(o Options) (*Server, error) {
	bin, err := programs()
	if err != nil {
		return nil, err
	}
	dir, err := os.MkdirTemp("", "visitwright-pg-") // short: a socket's path has at most 107 bytes
	if err != nil {
		return nil, err
	}
	s := &Server{dir: dir, bin: bin, options: o}
	if err := s.init(); err != nil {
		_ = os.RemoveAll(dir)
		return nil, err
	}
	if err := s.Run(); err != nil {
		s.Close()
		return nil, err
	}
	if err := s.admin("CREATE ROLE " + Owner + " LOGIN NOSUPERUSER NOCREATEDB NOCREATEROLE"); err != nil {
		s.Close()
		return nil, err
	}
	return s, nil
}

// programs finds the newest installed server.
func programs() (string, error) {
	found, _ := filepath.Glob("/usr/lib/postgresql/*/bin/postgres")
	slices.SortFunc(found, func(a, b string) int { return version(a) - version(b) })
	if n := len(found); n > 0 {
		return filepath.Dir(found[n-1]), nil
	}
	if p, err := exec.LookPath("postgres"); err == nil {
		if p, err = filepath.EvalSymlinks(p); err == nil {
			return filepath.Dir(p), nil
		}
	}
	return "", errors.New("these tests need PostgreSQL's server programs (initdb, postgres) and found none: install them, on Debian and Ubuntu with: apt-get install postgresql")
}

func version(path string) (v int) {
	_, _ = fmt.Sscanf(path, "/usr/lib/postgresql/%d/", &v)
	return v
}

func (s *Server) init() error {
	if err := s.giveAway(s.dir); err != nil {
		return err
	}
	out, err := s.command("initdb", "--no-sync", "--auth=trust", "--username=postgres", "--encoding=UTF8", "--locale=C",
		"--pgdata="+filepath.Join(s.dir, "data")).CombinedOutput()
	if err != nil {
		return fmt.Errorf("initdb: %w\n%s", err, out)
	}
	return nil
}

// Run starts the server on its data and waits until it answers. It is for
// servers that Stop or Kill ended.
func (s *Server) Run() error {
	args := []string{"-D", filepath.Join(s.dir, "data"), "-k", s.dir, "-h", "",
		"-c", "max_connections=200", "-c", "shared_buffers=64MB", "-c", "timezone=UTC", "-c", "log_min_messages=warning"}
	if !s.options.Durable {
		args = append(args, "-c", "fsync=off", "-c", "full_page_writes=off")
	}
	for _, v := range s.options.Settings {
		args = append(args, "-c", v)
	}
	var err error
	if s.log, err = os.OpenFile(filepath.Join(s.dir, "log"), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600); err != nil {
		return err
	}
	s.cmd = s.command("postgres", args...)
	s.cmd.Stdout, s.cmd.Stderr = s.log, s.log
	if err := s.cmd.Start(); err != nil {
		return err
	}
	exited := make(chan struct{})
	s.exited = exited
	go func(cmd *exec.Cmd, log *os.File) {
		_ = cmd.Wait()
		_ = log.Close()
		close(exited)
	}(s.cmd, s.log)
	return s.await()
}

func (s *Server) await() error {
	ctx, cancel := context.WithTimeout(context.Background(), startTimeout)
	defer cancel()
	db, err := sql.Open("postgres", s.url("postgres", "postgres"))
	if err != nil {
		return err
	}
	defer func() { _ = db.Close() }()
	tick := time.NewTicker(20 * time.Millisecond)
	defer tick.Stop()
	for {
		if err = db.PingContext(ctx); err == nil {
			return nil
		}
		select {
		case <-s.exited:
			text, _ := os.ReadFile(filepath.Join(s.dir, "log"))
			return fmt.Errorf("postgres ended at its start:\n%s", text)
		case <-ctx.Done():
			return fmt.Errorf("postgres does not answer: %w", err)
		case <-tick.C:
		}
	}
}

// Stop ends the server as an administrator would, without waiting for clients.
func (s *Server) Stop() { s.end(syscall.SIGINT) }

// Kill ends the server without a checkpoint, as a loss of power would: it
// recovers from its log when it is run again.
func (s *Server) Kill() { s.end(syscall.SIGQUIT) }

func (s *Server) end(sig syscall.Signal) {
	if s.cmd == nil || s.cmd.Process == nil {
		return
	}
	_ = s.cmd.Process.Signal(sig)
	<-s.exited
	s.cmd = nil
}

// Close ends the server and removes its data.
func (s *Server) Close() {
	s.Kill()
	_ = os.RemoveAll(s.dir)
}

// URL is how the owner reaches a database.
func (s *Server) URL(database string) string { return s.url(Owner, database) }

// SuperURL is how the superuser reaches a database: row security does not hold
// for it, triggers and constraints do.
func (s *Server) SuperURL(database string) string { return s.url("postgres", database) }

// Socket is the folder of the server's Unix socket, Bin that of its programs.
func (s *Server) Socket() string { return s.dir }

// Bin is the folder of the server's programs, for example pgbench.
func (s *Server) Bin() string { return s.bin }

func (s *Server) url(user, database string) string {
	q := url.Values{"host": {s.dir}, "sslmode": {"disable"}}
	return (&url.URL{Scheme: "postgres", User: url.User(user), Path: "/" + database, RawQuery: q.Encode()}).String()
}

func (s *Server) admin(statements ...string) error {
	db, err := sql.Open("postgres", s.url("postgres", "postgres"))
	if err != nil {
		return err
	}
	defer func() { _ = db.Close() }()
	for _, text := range statements {
		if _, err := db.Exec(text); err != nil {
			return fmt.Errorf("%s: %w", text, err)
		}
	}
	return nil
}

// CreateDatabase makes a database, as a copy of template when that is not empty.
func (s *Server) CreateDatabase(name, template string) error {
	text := "CREATE DATABASE " + name + " OWNER " + Owner
	if template != "" {
		text += " TEMPLATE " + template
	}
	return s.admin(text)
}

// DropDatabase removes a database whether or not somebody uses it.
func (s *Server) DropDatabase(name string) error {
	return s.admin("DROP DATABASE IF EXISTS " + name + " WITH (FORCE)")
}

func (s *Server) command(program string, args ...string) *exec.Cmd {
	cmd := exec.Command(filepath.Join(s.bin, program), args...) //nolint:gosec // a program of the server that programs() found
	cmd.Dir = s.dir
	cmd.Env = slices.DeleteFunc(os.Environ(), func(v string) bool { return strings.HasPrefix(v, "PG") })
	s.asServer(cmd)
	return cmd
}
