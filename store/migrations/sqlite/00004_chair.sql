-- +goose Up
-- Visits in the chair. What stands in the chair is read from the entries
-- (marks); neither is ever changed.
CREATE TABLE chair_visits (
    practice_id TEXT NOT NULL,
    case_id     TEXT NOT NULL,
    visit       INTEGER NOT NULL CHECK (visit >= 1),
    revision    INTEGER NOT NULL,
    option_id   TEXT NOT NULL,
    planned     INTEGER NOT NULL CHECK (planned BETWEEN 1 AND 16),
    appointment TEXT NOT NULL,
    clinician   TEXT NOT NULL,
    minutes     INTEGER NOT NULL CHECK (minutes BETWEEN 1 AND 960),
    sealed      BLOB NOT NULL,
    actor       TEXT NOT NULL,
    create_us   INTEGER NOT NULL,
    PRIMARY KEY (practice_id, case_id, visit),
    FOREIGN KEY (practice_id, case_id, revision) REFERENCES plan_revisions (practice_id, case_id, revision)
) STRICT;

CREATE TABLE chair_marks (
    practice_id TEXT NOT NULL,
    case_id     TEXT NOT NULL,
    visit       INTEGER NOT NULL,
    seq         INTEGER NOT NULL CHECK (seq >= 1),
    mark_id     TEXT NOT NULL CHECK (length(mark_id) BETWEEN 1 AND 64),
    kind        TEXT NOT NULL,
    at_us       INTEGER NOT NULL,
    sealed      BLOB NOT NULL,
    actor       TEXT NOT NULL,
    create_us   INTEGER NOT NULL,
    PRIMARY KEY (practice_id, case_id, visit, seq),
    FOREIGN KEY (practice_id, case_id, visit) REFERENCES chair_visits (practice_id, case_id, visit)
) STRICT;
CREATE UNIQUE INDEX chair_marks_id ON chair_marks (practice_id, case_id, visit, mark_id);
-- A visit begins once and ends once.
CREATE UNIQUE INDEX chair_marks_once ON chair_marks (practice_id, case_id, visit, kind) WHERE kind IN ('begin', 'end');
CREATE INDEX chair_marks_ended ON chair_marks (practice_id, at_us, case_id, visit) WHERE kind = 'end';

-- What one ended visit says about speed: derived from its entries, and made
-- anew whenever they are corrected.
CREATE TABLE chair_observations (
    practice_id TEXT NOT NULL,
    case_id     TEXT NOT NULL,
    visit       INTEGER NOT NULL,
    protocol    TEXT NOT NULL,
    tooth_class TEXT NOT NULL,
    clinician   TEXT NOT NULL,
    end_us      INTEGER NOT NULL,
    document    TEXT NOT NULL,
    PRIMARY KEY (practice_id, case_id, visit),
    FOREIGN KEY (practice_id, case_id, visit) REFERENCES chair_visits (practice_id, case_id, visit)
) STRICT;
CREATE INDEX chair_observations_group ON chair_observations (practice_id, protocol, tooth_class, end_us);

-- +goose StatementBegin
CREATE TRIGGER chair_visits_keep_u BEFORE UPDATE ON chair_visits BEGIN SELECT RAISE(ABORT, 'append_only'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER chair_visits_keep_d BEFORE DELETE ON chair_visits BEGIN SELECT RAISE(ABORT, 'append_only'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER chair_marks_keep_u BEFORE UPDATE ON chair_marks BEGIN SELECT RAISE(ABORT, 'append_only'); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER chair_marks_keep_d BEFORE DELETE ON chair_marks BEGIN SELECT RAISE(ABORT, 'append_only'); END;
-- +goose StatementEnd
