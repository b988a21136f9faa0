-- +goose Up
-- Calendars that programs elsewhere subscribe to. The secret in the address is
-- kept as its SHA-256 alone.
CREATE TABLE calendar_feeds (
    practice_id TEXT COLLATE "C" NOT NULL REFERENCES practices,
    id          TEXT COLLATE "C" NOT NULL,
    owner       TEXT COLLATE "C" NOT NULL,
    label       TEXT COLLATE "C" NOT NULL,
    hash        BYTEA NOT NULL CHECK (length(hash) = 32),
    create_us   BIGINT NOT NULL,
    PRIMARY KEY (practice_id, id)
);
ALTER TABLE calendar_feeds ENABLE ROW LEVEL SECURITY;
ALTER TABLE calendar_feeds FORCE ROW LEVEL SECURITY;
CREATE POLICY one_practice ON calendar_feeds USING (practice_id = current_setting('visitwright.practice', true) OR current_setting('visitwright.practice', true) = '*');
