-- +goose Up
-- Calendars that programs elsewhere subscribe to. The secret in the address is
-- kept as its SHA-256 alone.
CREATE TABLE calendar_feeds (
    practice_id TEXT NOT NULL REFERENCES practices,
    id          TEXT NOT NULL,
    owner       TEXT NOT NULL,
    label       TEXT NOT NULL,
    hash        BLOB NOT NULL CHECK (length(hash) = 32),
    create_us   INTEGER NOT NULL,
    PRIMARY KEY (practice_id, id)
) STRICT, WITHOUT ROWID;
