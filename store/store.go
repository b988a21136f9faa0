// Package store keeps everything that Visitwright must not forget: practices,
// patients, cases, assessments, plan revisions, the diary and the audit trail.
//
// Its methods are use cases, not tables: each is one transaction, speaks in the
// records of this package and returns the errors of this package, never a
// driver's text. Two databases serve it, an embedded SQLite file and
// PostgreSQL; both pass the one contract suite in store/storetest.
//
// What holds for every method:
//
//   - Everything belongs to one practice. Call.Practice comes from the token,
//     never from a request, and begins every key, constraint and statement.
//   - A write with Call.RequestID set is done once: the same id with the same
//     request gets the first answer again for 24 hours, the same id with
//     another request gets ErrRequestIDReused.
//   - Every write leaves an entry in the audit trail in the same transaction;
//     reads of a patient's record leave one too (see ReadAudit).
//   - Instants are UTC with microsecond precision. Calendar days are strings
//     in the form 2006-01-02 and have no zone.
//   - Times "now" come from one clock: the database's on PostgreSQL, Config.Clock
//     otherwise.
package store
