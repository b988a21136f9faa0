package store

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"strings"
	"time"

	"github.com/jmoiron/sqlx"
	"github.com/lib/pq"
	"github.com/pressly/goose/v3"
	"github.com/pressly/goose/v3/lock"

	"github.com/visitwright/visitwright/store/migrations"
)

// Limits of one session on PostgreSQL, in milliseconds. A statement or a lock
// that takes longer gives way; the caller may try again.
const (
	statementTimeout = "5000"
	lockTimeout      = "2000"
	idleTimeout      = "10000"
)

func (s *Store) openPostgres(ctx context.Context, c Config) error {
	dsn, err := postgresDSN(c.Database, true)
	if err != nil {
		return err
	}
	if err := migratePostgres(ctx, c.Database); err != nil {
		return err
	}
	db, err := sqlx.Open("postgres", dsn)
	if err != nil {
		return errors.New("store: the database URL is not understood")
	}
	n := c.Connections
	if n <= 0 {
		n = DefaultConnections
	}
	db.SetMaxOpenConns(n)
	db.SetMaxIdleConns(n)
	db.SetConnMaxIdleTime(5 * time.Minute)
	db.SetConnMaxLifetime(30 * time.Minute)
	s.writer, s.reader = db, db
	s.wakes = newPostgresWakes(s, dsn)
	if err := db.PingContext(ctx); err != nil {
		return fmt.Errorf("store: %w", s.clean(ctx, err))
	}
	return nil
}

// postgresDSN adds what must not be left to a driver's default. Without an
// sslmode in the URL the connection is verified in full, except over a Unix
// socket, where there is nothing to verify.
func postgresDSN(text string, limits bool) (string, error) {
	u, err := url.Parse(text)
	if err != nil {
		return "", errors.New("store: the database URL is not understood: want postgres://user@host:port/name?sslmode=verify-full")
	}
	q := u.Query()
	set := func(name, value string) {
		if q.Get(name) == "" {
			q.Set(name, value)
		}
	}
	host := q.Get("host")
	if host == "" {
		host = u.Hostname()
	}
	if strings.HasPrefix(host, "/") {
		set("sslmode", "disable")
	} else {
		set("sslmode", "verify-full")
	}
	set("connect_timeout", "5")
	set("application_name", "visitwright")
	q.Set("timezone", "UTC")
	if limits {
		set("statement_timeout", statementTimeout)
		set("lock_timeout", lockTimeout)
		set("idle_in_transaction_session_timeout", idleTimeout)
	}
	u.RawQuery = q.Encode()
	return u.String(), nil
}

// migratePostgres runs under an advisory lock, so that of several replicas one
// works and the others wait and find it done. It has its own connection without
// the limits of a request.
func migratePostgres(ctx context.Context, database string) error {
	dsn, err := postgresDSN(database, false)
	if err != nil {
		return err
	}
	db, err := sqlx.Open("postgres", dsn)
	if err != nil {
		return errors.New("store: the database URL is not understood")
	}
	defer func() { _ = db.Close() }()
	locker, err := lock.NewPostgresSessionLocker(lock.WithLockTimeout(1, 120))
	if err != nil {
		return err
	}
	p, err := goose.NewProvider(goose.DialectPostgres, db.DB, migrations.Postgres(), goose.WithSessionLocker(locker))
	if err != nil {
		return fmt.Errorf("store: %w", err)
	}
	if _, err := p.Up(ctx); err != nil {
		return fmt.Errorf("store: the schema could not be brought up to date: %w", err)
	}
	return nil
}

// SQLSTATE codes that mean something to us.
// https://www.postgresql.org/docs/15/errcodes-appendix.html
const (
	pgExclusion    = "23P01"
	pgUnique       = "23505"
	pgForeignKey   = "23503"
	pgCheck        = "23514"
	pgNotNull      = "23502"
	pgSerialise    = "40001"
	pgDeadlock     = "40P01"
	pgLockTimeout  = "55P03"
	pgCancelled    = "57014"
	pgAppendOnly   = "VW001" // ours, raised by the triggers
	pgClassData    = "22"    // a value that PostgreSQL cannot hold, for example a zero byte in a text
	pgClassConnect = "08"
	pgClassShort   = "53"
	pgClassAdmin   = "57P"
)

func cleanPostgres(err error) (error, bool) {
	var e *pq.Error
	if !errors.As(err, &e) {
		return nil, false
	}
	code := string(e.Code)
	switch code {
	case pgExclusion:
		return ErrTaken, true
	case pgUnique:
		return ErrExists, true
	case pgForeignKey:
		return ErrNotFound, true
	case pgCheck, pgNotNull:
		return ErrInvalid, true
	case pgSerialise, pgDeadlock:
		return errGaveWay, true
	case pgLockTimeout, pgCancelled:
		return ErrBusy, true
	case pgAppendOnly:
		return errRefusedByTrigger, true
	}
	if strings.HasPrefix(code, pgClassConnect) || strings.HasPrefix(code, pgClassShort) || strings.HasPrefix(code, pgClassAdmin) {
		return ErrUnavailable, true
	}
	if strings.HasPrefix(code, pgClassData) {
		return ErrInvalid, true
	}
	return ErrInternal, true
}

// describe returns what of a driver's error may stand in a log: codes and
// names of the schema, never values.
func describe(err error) string {
	var e *pq.Error
	if errors.As(err, &e) {
		return fmt.Sprintf("SQLSTATE %s table %s constraint %s routine %s", e.Code, e.Table, e.Constraint, e.Routine)
	}
	if _, ok := cleanSQLite(err); ok {
		return describeSQLite(err)
	}
	return fmt.Sprintf("%T", err)
}
