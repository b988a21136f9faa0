package store

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"sync"
	"time"

	"github.com/jmoiron/sqlx"
	"github.com/ncruces/go-sqlite3"
	_ "github.com/ncruces/go-sqlite3/driver" // registers "sqlite3"
	"github.com/pressly/goose/v3"

	"github.com/visitwright/visitwright/store/migrations"
)

// The order of the pragmas matters: the busy timeout comes first, so that the
// others wait their turn.
func (s *Store) openSQLite(ctx context.Context, c Config) error {
	s.wakes = newLocalWakes()
	sync := "synchronous(FULL)" // NORMAL may lose the last commits on a loss of power
	if c.NoSync {
		sync = "synchronous(OFF)"
	}
	common := []string{"busy_timeout(5000)", "journal_mode(WAL)", sync, "foreign_keys(1)", "temp_store(MEMORY)"}
	if err := createOwned(c.Database); err != nil {
		return fmt.Errorf("store: %w", err)
	}
	var err error
	if s.writer, err = sqlx.Open("sqlite3", sqliteDSN(c.Database, common...)); err != nil {
		return fmt.Errorf("store: %w", err)
	}
	// One writer: a pool of writers would starve some callers for a second.
	s.writer.SetMaxOpenConns(1)
	if err := migrateSQLite(ctx, s.writer); err != nil {
		return err
	}
	if err := besideAlike(c.Database); err != nil {
		return fmt.Errorf("store: %w", err)
	}
	if s.reader, err = sqlx.Open("sqlite3", sqliteDSN(c.Database, append(common, "query_only(1)")...)); err != nil {
		return fmt.Errorf("store: %w", err)
	}
	s.reader.SetMaxOpenConns(sqliteReaders)
	s.reader.SetMaxIdleConns(sqliteReaders)
	return nil
}

// createOwned makes a database file that nobody else can read, unless there is
// one: what is not encrypted in it still tells who is treated for what.
func createOwned(path string) error {
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE|os.O_EXCL, 0o600)
	if errors.Is(err, fs.ErrExist) {
		return nil
	}
	if err != nil {
		return err
	}
	return f.Close()
}

// besideAlike gives the log and its index, which SQLite keeps beside the file
// while it is open, the file's own mode: what is in one is in the other.
func besideAlike(path string) error {
	info, err := os.Stat(path)
	if err != nil {
		return err
	}
	for _, end := range []string{"-wal", "-shm"} {
		if err := os.Chmod(path+end, info.Mode().Perm()); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return err
		}
	}
	return nil
}

// migrating keeps two stores of one process apart; two processes meet in
// migrateSQLite's retry.
var migrating sync.Mutex

// migrateSQLite needs no lock: each step is one immediate transaction, so of two
// processes that start at once one fails cleanly, and finds the step done when
// it looks again. Turning a new file to WAL, at the first connection, does not
// wait for the busy timeout and fails as cleanly.
func migrateSQLite(ctx context.Context, db *sqlx.DB) error {
	migrating.Lock()
	defer migrating.Unlock()
	const tries = 20
	var err error
	for range tries {
		if err = migrateSQLiteOnce(ctx, db); err == nil {
			return nil
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(100 * time.Millisecond):
		}
	}
	return fmt.Errorf("store: the schema could not be brought up to date: %w", err)
}

func migrateSQLiteOnce(ctx context.Context, db *sqlx.DB) error {
	if err := db.PingContext(ctx); err != nil {
		return fmt.Errorf("the file cannot be opened: %w", err)
	}
	p, err := goose.NewProvider(goose.DialectSQLite3, db.DB, migrations.SQLite())
	if err != nil {
		return err
	}
	_, err = p.Up(ctx) // p.Close would close the pool, which is ours
	return err
}

func cleanSQLite(err error) (error, bool) {
	var e *sqlite3.Error
	if !errors.As(err, &e) {
		return nil, false
	}
	switch e.ExtendedCode() {
	case sqlite3.CONSTRAINT_UNIQUE, sqlite3.CONSTRAINT_PRIMARYKEY:
		return ErrExists, true
	case sqlite3.CONSTRAINT_FOREIGNKEY:
		return ErrNotFound, true
	case sqlite3.CONSTRAINT_CHECK, sqlite3.CONSTRAINT_NOTNULL, sqlite3.CONSTRAINT_DATATYPE:
		return ErrInvalid, true
	case sqlite3.CONSTRAINT_TRIGGER:
		return errRefusedByTrigger, true
	}
	switch e.Code() {
	case sqlite3.BUSY, sqlite3.LOCKED, sqlite3.INTERRUPT:
		return ErrBusy, true
	case sqlite3.TOOBIG:
		return ErrInvalid, true
	case sqlite3.IOERR, sqlite3.CANTOPEN, sqlite3.FULL, sqlite3.READONLY, sqlite3.PROTOCOL:
		return ErrUnavailable, true
	}
	return ErrInternal, true
}
