-- +goose Up
-- People who sign in. The passphrase's hash is sealed as well: who has the
-- database alone cannot try passphrases on it. Empty means that there is none.
CREATE TABLE people (
    practice_id  TEXT COLLATE "C" NOT NULL REFERENCES practices,
    id           TEXT COLLATE "C" NOT NULL,
    sign_in_name TEXT COLLATE "C" NOT NULL CHECK (length(sign_in_name) BETWEEN 1 AND 64),
    name_key     TEXT COLLATE "C" NOT NULL,
    display_name TEXT COLLATE "C" NOT NULL,
    role         TEXT COLLATE "C" NOT NULL CHECK (role IN ('reception', 'nurse', 'clinician', 'manager')),
    clinician    TEXT COLLATE "C" NOT NULL CHECK (clinician = '' OR role = 'clinician'),
    active       BOOLEAN NOT NULL,
    secret       BYTEA NOT NULL,
    secret_us    BIGINT NOT NULL,
    row_version  BIGINT NOT NULL,
    create_us    BIGINT NOT NULL,
    update_us    BIGINT NOT NULL,
    PRIMARY KEY (practice_id, id)
);
CREATE UNIQUE INDEX people_name ON people (practice_id, name_key);

-- Sessions of people. end_us is 0 while nobody ended it; expiry and idling
-- follow from expire_us, idle_us (a length of time) and used_us.
CREATE TABLE sessions (
    practice_id TEXT COLLATE "C" NOT NULL,
    id          TEXT COLLATE "C" NOT NULL,
    person_id   TEXT COLLATE "C" NOT NULL,
    hash        BYTEA NOT NULL CHECK (length(hash) = 32),
    client      TEXT COLLATE "C" NOT NULL,
    create_us   BIGINT NOT NULL,
    expire_us   BIGINT NOT NULL CHECK (expire_us > create_us),
    idle_us     BIGINT NOT NULL CHECK (idle_us > 0),
    used_us     BIGINT NOT NULL,
    end_us      BIGINT NOT NULL,
    PRIMARY KEY (practice_id, id),
    FOREIGN KEY (practice_id, person_id) REFERENCES people (practice_id, id)
);
CREATE INDEX sessions_person ON sessions (practice_id, person_id);
CREATE INDEX sessions_expire ON sessions (practice_id, expire_us);

-- Attempts to sign in, spaced by name whether or not somebody has it, and in
-- the practice as a whole (an empty key). The practice need not exist: nothing
-- may tell which do.
CREATE TABLE sign_in_attempts (
    practice_id TEXT COLLATE "C" NOT NULL,
    name_hash   BYTEA NOT NULL,
    next_us     BIGINT NOT NULL,
    PRIMARY KEY (practice_id, name_hash)
);

ALTER TABLE people ENABLE ROW LEVEL SECURITY;
ALTER TABLE people FORCE ROW LEVEL SECURITY;
CREATE POLICY one_practice ON people USING (practice_id = current_setting('visitwright.practice', true) OR current_setting('visitwright.practice', true) = '*');
ALTER TABLE sessions ENABLE ROW LEVEL SECURITY;
ALTER TABLE sessions FORCE ROW LEVEL SECURITY;
CREATE POLICY one_practice ON sessions USING (practice_id = current_setting('visitwright.practice', true) OR current_setting('visitwright.practice', true) = '*');
ALTER TABLE sign_in_attempts ENABLE ROW LEVEL SECURITY;
ALTER TABLE sign_in_attempts FORCE ROW LEVEL SECURITY;
CREATE POLICY one_practice ON sign_in_attempts USING (practice_id = current_setting('visitwright.practice', true) OR current_setting('visitwright.practice', true) = '*');
