-- +goose Up
-- Instants are microseconds since 1970 in UTC; 0 stands for "none".
-- Every key begins with the practice.
CREATE TABLE practices (
    practice_id TEXT NOT NULL PRIMARY KEY CHECK (length(practice_id) BETWEEN 1 AND 40),
    name        TEXT NOT NULL,
    zone        TEXT NOT NULL,
    notation    TEXT NOT NULL CHECK (notation IN ('iso', 'universal', 'quadrant')),
    settings    BLOB NOT NULL,
    row_version INTEGER NOT NULL,
    create_us   INTEGER NOT NULL,
    update_us   INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

-- One row a practice, locked last by every write: it numbers the audit trail
-- and the change log in the order of commits.
CREATE TABLE practice_heads (
    practice_id   TEXT NOT NULL PRIMARY KEY REFERENCES practices,
    audit_seq     INTEGER NOT NULL,
    audit_hash    BLOB NOT NULL,
    change_seq    INTEGER NOT NULL,
    change_floor  INTEGER NOT NULL,
    diary_version INTEGER NOT NULL,
    setup_version INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

CREATE TABLE tokens (
    practice_id TEXT NOT NULL REFERENCES practices,
    id          TEXT NOT NULL,
    role        TEXT NOT NULL CHECK (role IN ('reception', 'nurse', 'clinician', 'manager', 'integration')),
    label       TEXT NOT NULL,
    clinician   TEXT NOT NULL,
    hash        BLOB NOT NULL CHECK (length(hash) = 32),
    expire_us   INTEGER NOT NULL,
    revoke_us   INTEGER NOT NULL,
    create_us   INTEGER NOT NULL,
    PRIMARY KEY (practice_id, id)
) STRICT, WITHOUT ROWID;

CREATE TABLE clinicians (
    practice_id  TEXT NOT NULL REFERENCES practices,
    id           TEXT NOT NULL,
    name         TEXT NOT NULL,
    protocols    TEXT NOT NULL,
    settings     BLOB NOT NULL,
    external_ids TEXT NOT NULL,
    active       INTEGER NOT NULL CHECK (active IN (0, 1)),
    row_version  INTEGER NOT NULL,
    create_us    INTEGER NOT NULL,
    update_us    INTEGER NOT NULL,
    PRIMARY KEY (practice_id, id)
) STRICT, WITHOUT ROWID;

CREATE TABLE external_ids (
    practice_id TEXT NOT NULL REFERENCES practices,
    kind        TEXT NOT NULL,
    system      TEXT NOT NULL,
    value       TEXT NOT NULL,
    record_id   TEXT NOT NULL,
    PRIMARY KEY (practice_id, kind, system, value)
) STRICT, WITHOUT ROWID;
CREATE INDEX external_ids_record ON external_ids (practice_id, kind, record_id);

CREATE TABLE patients (
    practice_id   TEXT NOT NULL REFERENCES practices,
    id            TEXT NOT NULL,
    reference     TEXT NOT NULL CHECK (length(reference) BETWEEN 1 AND 64),
    reference_key TEXT NOT NULL,
    weight_grams  INTEGER NOT NULL CHECK (weight_grams BETWEEN 0 AND 500000),
    birth_year    INTEGER NOT NULL,
    sealed        BLOB NOT NULL,
    external_ids  TEXT NOT NULL,
    row_version   INTEGER NOT NULL,
    create_us     INTEGER NOT NULL,
    update_us     INTEGER NOT NULL,
    PRIMARY KEY (practice_id, id)
) STRICT;
CREATE UNIQUE INDEX patients_reference ON patients (practice_id, reference_key);

-- Keyed hashes of words and digits: finds a patient without storing the word.
CREATE TABLE patient_words (
    practice_id TEXT NOT NULL,
    word        BLOB NOT NULL,
    patient_id  TEXT NOT NULL,
    PRIMARY KEY (practice_id, word, patient_id),
    FOREIGN KEY (practice_id, patient_id) REFERENCES patients (practice_id, id)
) STRICT, WITHOUT ROWID;
CREATE INDEX patient_words_patient ON patient_words (practice_id, patient_id);

CREATE TABLE cases (
    practice_id      TEXT NOT NULL,
    id               TEXT NOT NULL,
    patient_id       TEXT NOT NULL,
    tooth            INTEGER NOT NULL CHECK (tooth = 0 OR (tooth / 10 BETWEEN 1 AND 4 AND tooth % 10 BETWEEN 1 AND 8)),
    clinician        TEXT NOT NULL,
    state            TEXT NOT NULL CHECK (state IN ('referred', 'assessed', 'planned', 'in_treatment', 'filled', 'in_review', 'closed')),
    protocol         TEXT NOT NULL,
    diagnosis        TEXT NOT NULL,
    root_development TEXT NOT NULL,
    closing_reason   TEXT NOT NULL CHECK (closing_reason IN ('', 'healed_discharged', 'extracted', 'declined', 'transferred', 'lost', 'died')),
    close_us         INTEGER NOT NULL,
    sealed           BLOB NOT NULL,
    external_ids     TEXT NOT NULL,
    revision         INTEGER NOT NULL,
    assessment       INTEGER NOT NULL,
    row_version      INTEGER NOT NULL,
    create_us        INTEGER NOT NULL,
    update_us        INTEGER NOT NULL,
    PRIMARY KEY (practice_id, id),
    FOREIGN KEY (practice_id, patient_id) REFERENCES patients (practice_id, id),
    CHECK ((state = 'closed') = (closing_reason <> ''))
) STRICT;
CREATE INDEX cases_patient ON cases (practice_id, patient_id, id);

CREATE TABLE assessments (
    practice_id TEXT NOT NULL,
    case_id     TEXT NOT NULL,
    version     INTEGER NOT NULL CHECK (version >= 1),
    sealed      BLOB NOT NULL,
    actor       TEXT NOT NULL,
    create_us   INTEGER NOT NULL,
    PRIMARY KEY (practice_id, case_id, version),
    FOREIGN KEY (practice_id, case_id) REFERENCES cases (practice_id, id)
) STRICT;

CREATE TABLE plan_revisions (
    practice_id         TEXT NOT NULL,
    case_id             TEXT NOT NULL,
    revision            INTEGER NOT NULL CHECK (revision >= 1),
    assessment          INTEGER NOT NULL,
    cause               TEXT NOT NULL,
    recommended         TEXT NOT NULL,
    model_version       TEXT NOT NULL,
    data_version        TEXT NOT NULL,
    calibration_version TEXT NOT NULL,
    sealed              BLOB NOT NULL,
    actor               TEXT NOT NULL,
    create_us           INTEGER NOT NULL,
    PRIMARY KEY (practice_id, case_id, revision),
    FOREIGN KEY (practice_id, case_id) REFERENCES cases (practice_id, id)
) STRICT;

CREATE TABLE planned_visits (
    practice_id   TEXT NOT NULL,
    case_id       TEXT NOT NULL,
    revision      INTEGER NOT NULL,
    option_id     TEXT NOT NULL,
    visit         INTEGER NOT NULL CHECK (visit BETWEEN 1 AND 16),
    minutes       INTEGER NOT NULL CHECK (minutes BETWEEN 1 AND 960),
    earliest_days INTEGER,
    target_days   INTEGER,
    latest_days   INTEGER,
    if_needed     INTEGER NOT NULL CHECK (if_needed IN (0, 1)),
    need_permille INTEGER NOT NULL CHECK (need_permille BETWEEN 0 AND 1000),
    PRIMARY KEY (practice_id, case_id, revision, option_id, visit),
    FOREIGN KEY (practice_id, case_id, revision) REFERENCES plan_revisions (practice_id, case_id, revision),
    CHECK (earliest_days IS NULL OR latest_days IS NULL OR earliest_days <= latest_days)
) STRICT;

CREATE TABLE acceptances (
    practice_id TEXT NOT NULL,
    case_id     TEXT NOT NULL,
    seq         INTEGER NOT NULL CHECK (seq >= 1),
    revision    INTEGER NOT NULL,
    option_id   TEXT NOT NULL,
    clinician   TEXT NOT NULL,
    sealed      BLOB NOT NULL,
    actor       TEXT NOT NULL,
    create_us   INTEGER NOT NULL,
    PRIMARY KEY (practice_id, case_id, seq),
    FOREIGN KEY (practice_id, case_id, revision) REFERENCES plan_revisions (practice_id, case_id, revision)
) STRICT;

CREATE TABLE audit (
    practice_id TEXT NOT NULL REFERENCES practices,
    seq         INTEGER NOT NULL,
    at_us       INTEGER NOT NULL,
    actor       TEXT NOT NULL,
    role        TEXT NOT NULL,
    acting_for  TEXT NOT NULL,
    method      TEXT NOT NULL,
    resource    TEXT NOT NULL,
    request_id  TEXT NOT NULL,
    correlation TEXT NOT NULL,
    outcome     TEXT NOT NULL,
    fields      TEXT NOT NULL,
    times       INTEGER NOT NULL,
    prev_hash   BLOB NOT NULL CHECK (length(prev_hash) = 32),
    hash        BLOB NOT NULL CHECK (length(hash) = 32),
    PRIMARY KEY (practice_id, seq)
) STRICT;
CREATE INDEX audit_resource ON audit (practice_id, resource, seq);

CREATE TABLE requests (
    practice_id  TEXT NOT NULL REFERENCES practices,
    method       TEXT NOT NULL,
    request_id   TEXT NOT NULL CHECK (length(request_id) BETWEEN 1 AND 64),
    request_hash BLOB NOT NULL CHECK (length(request_hash) = 32),
    response     BLOB NOT NULL,
    create_us    INTEGER NOT NULL,
    PRIMARY KEY (practice_id, method, request_id)
) STRICT;
CREATE INDEX requests_age ON requests (practice_id, create_us);

CREATE TABLE changes (
    practice_id TEXT NOT NULL REFERENCES practices,
    seq         INTEGER NOT NULL,
    at_us       INTEGER NOT NULL,
    kind        TEXT NOT NULL,
    resource    TEXT NOT NULL,
    etag        TEXT NOT NULL,
    actor       TEXT NOT NULL,
    PRIMARY KEY (practice_id, seq)
) STRICT, WITHOUT ROWID;

-- What is written here is never changed, whatever the program does.
-- +goose StatementBegin
CREATE TRIGGER assessments_keep_u BEFORE UPDATE ON assessments BEGIN SELECT RAISE(ABORT, 'append_only'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER assessments_keep_d BEFORE DELETE ON assessments BEGIN SELECT RAISE(ABORT, 'append_only'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER plan_revisions_keep_u BEFORE UPDATE ON plan_revisions BEGIN SELECT RAISE(ABORT, 'append_only'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER plan_revisions_keep_d BEFORE DELETE ON plan_revisions BEGIN SELECT RAISE(ABORT, 'append_only'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER planned_visits_keep_u BEFORE UPDATE ON planned_visits BEGIN SELECT RAISE(ABORT, 'append_only'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER planned_visits_keep_d BEFORE DELETE ON planned_visits BEGIN SELECT RAISE(ABORT, 'append_only'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER acceptances_keep_u BEFORE UPDATE ON acceptances BEGIN SELECT RAISE(ABORT, 'append_only'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER acceptances_keep_d BEFORE DELETE ON acceptances BEGIN SELECT RAISE(ABORT, 'append_only'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER audit_keep_u BEFORE UPDATE ON audit BEGIN SELECT RAISE(ABORT, 'append_only'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER audit_keep_d BEFORE DELETE ON audit BEGIN SELECT RAISE(ABORT, 'append_only'); END;
-- +goose StatementEnd
