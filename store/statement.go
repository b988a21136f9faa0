package store

import (
	"context"
	"database/sql"
	"fmt"
	"regexp"

	"github.com/jmoiron/sqlx"
)

// statement is one SQL statement, prepared at start on every pool that may run
// it: a statement that does not parse against the schema stops the start.
//
// The text is shared by both databases wherever they agree. Parameters are
// written ?1, ?2 ... so that one may be used twice.
type statement struct {
	number   int
	name     string
	sqlite   string
	postgres string
	writes   bool
}

var statements []*statement

var numbered = regexp.MustCompile(`\?(\d+)`)

// reads defines a statement that both databases understand and that changes nothing.
func reads(name, text string) *statement { return define(name, text, text, false) }

// writes defines a statement that both databases understand.
func writes(name, text string) *statement { return define(name, text, text, true) }

// differs defines a statement that the databases spell differently. An empty
// text means that this database has no use for it.
func differs(name, sqlite, postgres string, writing bool) *statement {
	return define(name, sqlite, postgres, writing)
}

func define(name, sqlite, postgres string, writing bool) *statement {
	st := &statement{number: len(statements), name: name, sqlite: sqlite, writes: writing}
	st.postgres = numbered.ReplaceAllString(postgres, `$$$1`)
	statements = append(statements, st)
	return st
}

// PostgresStatements returns the text of every statement as PostgreSQL runs it,
// by name: for comparing the store with the bare database.
func PostgresStatements() map[string]string {
	out := make(map[string]string, len(statements))
	for _, st := range statements {
		out[st.name] = st.postgres
	}
	return out
}

// prepared holds the statements of one pool by number.
type prepared []*sqlx.Stmt

func prepareAll(ctx context.Context, db *sqlx.DB, postgres, writing bool) (prepared, error) {
	out := make(prepared, len(statements))
	for _, st := range statements {
		text := st.sqlite
		if postgres {
			text = st.postgres
		}
		if text == "" || (st.writes && !writing) {
			continue
		}
		p, err := db.PreparexContext(ctx, text)
		if err != nil {
			return nil, fmt.Errorf("statement %q does not fit the schema: %w", st.name, err)
		}
		out[st.number] = p
	}
	return out, nil
}

// querier runs prepared statements, inside a transaction or not.
type querier interface {
	get(ctx context.Context, into any, st *statement, args ...any) error
	list(ctx context.Context, into any, st *statement, args ...any) error
	row(ctx context.Context, st *statement, args ...any) *sql.Row
	rows(ctx context.Context, st *statement, args ...any) (*sql.Rows, error)
}

// pooled runs statements on whatever connection is free.
type pooled struct{ on prepared }

func (p pooled) get(ctx context.Context, into any, st *statement, args ...any) error {
	return p.on[st.number].GetContext(ctx, into, args...)
}

func (p pooled) list(ctx context.Context, into any, st *statement, args ...any) error {
	return p.on[st.number].SelectContext(ctx, into, args...)
}

func (p pooled) row(ctx context.Context, st *statement, args ...any) *sql.Row {
	return p.on[st.number].QueryRowContext(ctx, args...)
}

func (p pooled) rows(ctx context.Context, st *statement, args ...any) (*sql.Rows, error) {
	return p.on[st.number].QueryContext(ctx, args...)
}

// inTx runs statements inside one transaction.
type inTx struct {
	on prepared
	tx *sqlx.Tx
}

func (t inTx) stmt(ctx context.Context, st *statement) *sqlx.Stmt {
	return t.tx.StmtxContext(ctx, t.on[st.number])
}

func (t inTx) get(ctx context.Context, into any, st *statement, args ...any) error {
	return t.stmt(ctx, st).GetContext(ctx, into, args...)
}

func (t inTx) list(ctx context.Context, into any, st *statement, args ...any) error {
	return t.stmt(ctx, st).SelectContext(ctx, into, args...)
}

func (t inTx) row(ctx context.Context, st *statement, args ...any) *sql.Row {
	return t.stmt(ctx, st).QueryRowContext(ctx, args...)
}

func (t inTx) rows(ctx context.Context, st *statement, args ...any) (*sql.Rows, error) {
	return t.stmt(ctx, st).QueryContext(ctx, args...)
}

func (t inTx) exec(ctx context.Context, st *statement, args ...any) (int64, error) {
	res, err := t.stmt(ctx, st).ExecContext(ctx, args...)
	if err != nil {
		return 0, err
	}
	return res.RowsAffected()
}
