// Package migrations holds the schema of both databases, step by step.
//
// A step is never changed once it has been released; the next step changes what
// it made. Code runs on schema N and N+1, so that replicas can be replaced one
// by one: expand first, move the data, contract in a later release.
package migrations

import (
	"embed"
	"io/fs"
)

//go:embed sqlite/*.sql postgres/*.sql
var files embed.FS

// SQLite returns the steps for the embedded database.
func SQLite() fs.FS { return sub("sqlite") }

// Postgres returns the steps for PostgreSQL.
func Postgres() fs.FS { return sub("postgres") }

func sub(dir string) fs.FS {
	f, err := fs.Sub(files, dir)
	if err != nil { // the folder is compiled in
		panic(err)
	}
	return f
}
