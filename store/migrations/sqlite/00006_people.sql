-- +goose Up
-- People who sign in. The passphrase's hash is sealed as well: who has the
-- database alone cannot try passphrases on it. Empty means that there is none.
CREATE TABLE people (
    practice_id  TEXT NOT NULL REFERENCES practices,
    id           TEXT NOT NULL,
    sign_in_name TEXT NOT NULL CHECK (length(sign_in_name) BETWEEN 1 AND 64),
    name_key     TEXT NOT NULL,
    display_name TEXT NOT NULL,
    role         TEXT NOT NULL CHECK (role IN ('reception', 'nurse', 'clinician', 'manager')),
    clinician    TEXT NOT NULL CHECK (clinician = '' OR role = 'clinician'),
    active       INTEGER NOT NULL CHECK (active IN (0, 1)),
    secret       BLOB NOT NULL,
    secret_us    INTEGER NOT NULL,
    row_version  INTEGER NOT NULL,
    create_us    INTEGER NOT NULL,
    update_us    INTEGER NOT NULL,
    PRIMARY KEY (practice_id, id)
) STRICT, WITHOUT ROWID;
CREATE UNIQUE INDEX people_name ON people (practice_id, name_key);

-- Sessions of people. end_us is 0 while nobody ended it; expiry and idling
-- follow from expire_us, idle_us (a length of time) and used_us.
CREATE TABLE sessions (
    practice_id TEXT NOT NULL,
    id          TEXT NOT NULL,
    person_id   TEXT NOT NULL,
    hash        BLOB NOT NULL CHECK (length(hash) = 32),
    client      TEXT NOT NULL,
    create_us   INTEGER NOT NULL,
    expire_us   INTEGER NOT NULL CHECK (expire_us > create_us),
    idle_us     INTEGER NOT NULL CHECK (idle_us > 0),
    used_us     INTEGER NOT NULL,
    end_us      INTEGER NOT NULL,
    PRIMARY KEY (practice_id, id),
    FOREIGN KEY (practice_id, person_id) REFERENCES people (practice_id, id)
) STRICT, WITHOUT ROWID;
CREATE INDEX sessions_person ON sessions (practice_id, person_id);
CREATE INDEX sessions_expire ON sessions (practice_id, expire_us);

-- Attempts to sign in, spaced by name whether or not somebody has it, and in
-- the practice as a whole (an empty key). The practice need not exist: nothing
-- may tell which do.
CREATE TABLE sign_in_attempts (
    practice_id TEXT NOT NULL,
    name_hash   BLOB NOT NULL,
    next_us     INTEGER NOT NULL,
    PRIMARY KEY (practice_id, name_hash)
) STRICT, WITHOUT ROWID;
