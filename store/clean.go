package store

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"errors"
	"fmt"
	"io"
	"net"

	"github.com/ncruces/go-sqlite3"
)

var (
	// errGaveWay: the transaction lost against another and may be run again.
	errGaveWay = errors.New("gave way to another transaction")
	// errRefusedByTrigger: a trigger of ours refused.
	errRefusedByTrigger = errors.New("refused by the schema")
)

// clean turns whatever a driver said into an error of this package. Errors of
// this package pass; everything unknown becomes ErrInternal, its text goes
// nowhere and its kind to the log.
func (s *Store) clean(ctx context.Context, err error) error {
	if err == nil {
		return nil
	}
	var p *Problem
	var t *Taken
	if errors.As(err, &p) || errors.As(err, &t) {
		return err
	}
	for _, known := range []error{ErrNotFound, ErrStaleEtag, ErrRequestIDReused, ErrExists, ErrWrongState, ErrInvalid,
		ErrTaken, ErrExpired, ErrBusy, ErrUnavailable, ErrSealed, ErrInternal, errGaveWay, errRefusedByTrigger} {
		if errors.Is(err, known) {
			return &Problem{Kind: known, cause: err}
		}
	}
	if ctx.Err() != nil { // the driver's own words for it differ
		return context.Cause(ctx)
	}
	kind, ok := cleanPostgres(err)
	if !ok {
		kind, ok = cleanSQLite(err)
	}
	var netErr *net.OpError
	switch {
	case ok:
	case errors.Is(err, sql.ErrNoRows):
		kind = ErrNotFound
	case errors.Is(err, context.Canceled), errors.Is(err, context.DeadlineExceeded):
		return err
	case errors.Is(err, driver.ErrBadConn), errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF),
		errors.As(err, &netErr), errors.Is(err, sql.ErrConnDone):
		kind = ErrUnavailable
	default:
		kind = ErrInternal
	}
	if errors.Is(kind, ErrInternal) || errors.Is(kind, ErrUnavailable) {
		s.log.ErrorContext(ctx, "store", "kind", kind.Error(), "cause", describe(err))
	}
	return &Problem{Kind: kind, cause: err}
}

// outward turns the kinds that only the store knows into public ones.
func outward(err error) error {
	switch {
	case errors.Is(err, errGaveWay):
		return &Problem{Kind: ErrBusy, cause: err}
	case errors.Is(err, errRefusedByTrigger):
		return &Problem{Kind: ErrInternal, cause: err}
	}
	return err
}

func describeSQLite(err error) string {
	var e *sqlite3.Error
	if errors.As(err, &e) {
		return fmt.Sprintf("sqlite code %d", e.ExtendedCode())
	}
	return fmt.Sprintf("%T", err)
}
