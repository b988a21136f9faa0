package store

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/url"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"github.com/jmoiron/sqlx"
)

// Config says where things are kept.
type Config struct {
	// Database is the path of the SQLite file, or a URL "postgres://...".
	Database string
	Keys     *Keys // required
	// Clock is the store's clock. Required for SQLite. On PostgreSQL nil means
	// the database's clock, which all replicas share; tests inject another.
	Clock func() time.Time
	// Log receives what must not reach a client; nil discards. What it gets is
	// codes and names of statements, never values.
	Log *slog.Logger
	// ReadAudit says how entries for reads are kept.
	ReadAudit ReadAudit
	// Connections bounds the pool on PostgreSQL; 0 means DefaultConnections.
	Connections int
	// NoSync leaves out the wait for the disk on SQLite. For tests of speed, and
	// for a database that goes with its process:
	// a loss of power may lose what was acknowledged.
	NoSync bool
}

// ReadAudit says when the audit entry of a read is on disk.
type ReadAudit int

const (
	// AuditReadsPromptly answers the read at once and writes the entry within
	// AuditDelay, together with others. A process that dies in between loses the
	// entries of that time. The queue is bounded: a reader waits when it is
	// full, and reads are refused while entries cannot be written.
	AuditReadsPromptly ReadAudit = iota
	// AuditReadsFirst answers only after the entry is on disk.
	AuditReadsFirst
)

// DefaultConnections is the size of the pool on PostgreSQL.
const DefaultConnections = 16

// sqliteReaders is the number of connections that read; one more writes.
const sqliteReaders = 4

// Store is an open store. Use it from any number of goroutines; Close it once.
type Store struct {
	keys      *Keys
	clock     func() time.Time
	log       *slog.Logger
	postgres  bool
	awaitRead bool

	writer  *sqlx.DB // one connection on SQLite
	reader  *sqlx.DB // the same as writer on PostgreSQL
	onWrite prepared
	onRead  prepared

	access *accessLog
	wakes  *wakes
	closed sync.Once
}

// Open opens the store, brings its schema up to date and prepares every
// statement. Several replicas may open one database at the same time.
func Open(ctx context.Context, c Config) (*Store, error) {
	if c.Keys == nil {
		return nil, errors.New("store: no keys given")
	}
	s := &Store{keys: c.Keys, clock: c.Clock, log: c.Log, awaitRead: c.ReadAudit == AuditReadsFirst}
	if s.log == nil {
		s.log = slog.New(slog.DiscardHandler)
	}
	scheme, _, _ := strings.Cut(c.Database, "://")
	var err error
	switch {
	case scheme == "postgres" || scheme == "postgresql":
		s.postgres = true
		err = s.openPostgres(ctx, c)
	case strings.Contains(c.Database, "://"):
		return nil, fmt.Errorf("store: the database %q is not known: want a file path or a URL that begins with postgres://", scheme)
	case c.Database == "":
		return nil, errors.New("store: no database given: want a file path or a URL that begins with postgres://")
	case c.Clock == nil:
		return nil, errors.New("store: a SQLite file needs a clock")
	default:
		err = s.openSQLite(ctx, c)
	}
	if err == nil {
		s.onWrite, err = prepareAll(ctx, s.writer, s.postgres, true)
	}
	if err == nil {
		s.onRead = s.onWrite
		if s.reader != s.writer {
			s.onRead, err = prepareAll(ctx, s.reader, s.postgres, false)
		}
	}
	if err != nil {
		return nil, errors.Join(err, s.closePools())
	}
	s.access = newAccessLog(s)
	s.wakes.start()
	return s, nil
}

// Postgres reports whether the store is on PostgreSQL.
func (s *Store) Postgres() bool { return s.postgres }

// Pools returns the pools by name, for metrics.
func (s *Store) Pools() map[string]*sqlx.DB {
	if s.reader == s.writer {
		return map[string]*sqlx.DB{"postgres": s.writer}
	}
	return map[string]*sqlx.DB{"sqlite-writer": s.writer, "sqlite-readers": s.reader}
}

// Ready asks the database for a sign of life.
func (s *Store) Ready(ctx context.Context) error {
	if err := s.reader.PingContext(ctx); err != nil {
		return s.clean(ctx, err)
	}
	return nil
}

// Close writes what is still queued and closes the store.
func (s *Store) Close() error {
	var err error
	s.closed.Do(func() {
		s.access.close()
		s.wakes.close()
		err = s.closePools()
	})
	return err
}

func (s *Store) closePools() error {
	var errs []error
	if s.reader != nil && s.reader != s.writer {
		errs = append(errs, s.reader.Close())
	}
	if s.writer != nil {
		errs = append(errs, s.writer.Close())
	}
	return errors.Join(errs...)
}

func sqliteDSN(path string, pragmas ...string) string {
	q := url.Values{}
	q.Set("_txlock", "immediate")
	for _, p := range pragmas {
		q.Add("_pragma", p)
	}
	return "file:" + (&url.URL{Path: filepath.ToSlash(path)}).EscapedPath() + "?" + q.Encode()
}
