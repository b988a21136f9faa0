-- +goose Up
-- Visits in the chair. What stands in the chair is read from the entries
-- (marks); neither is ever changed.
CREATE TABLE chair_visits (
    practice_id TEXT COLLATE "C" NOT NULL,
    case_id     TEXT COLLATE "C" NOT NULL,
    visit       BIGINT NOT NULL CHECK (visit >= 1),
    revision    BIGINT NOT NULL,
    option_id   TEXT COLLATE "C" NOT NULL,
    planned     BIGINT NOT NULL CHECK (planned BETWEEN 1 AND 16),
    appointment TEXT COLLATE "C" NOT NULL,
    clinician   TEXT COLLATE "C" NOT NULL,
    minutes     BIGINT NOT NULL CHECK (minutes BETWEEN 1 AND 960),
    sealed      BYTEA NOT NULL,
    actor       TEXT COLLATE "C" NOT NULL,
    create_us   BIGINT NOT NULL,
    PRIMARY KEY (practice_id, case_id, visit),
    FOREIGN KEY (practice_id, case_id, revision) REFERENCES plan_revisions (practice_id, case_id, revision)
);

CREATE TABLE chair_marks (
    practice_id TEXT COLLATE "C" NOT NULL,
    case_id     TEXT COLLATE "C" NOT NULL,
    visit       BIGINT NOT NULL,
    seq         BIGINT NOT NULL CHECK (seq >= 1),
    mark_id     TEXT COLLATE "C" NOT NULL CHECK (length(mark_id) BETWEEN 1 AND 64),
    kind        TEXT COLLATE "C" NOT NULL,
    at_us       BIGINT NOT NULL,
    sealed      BYTEA NOT NULL,
    actor       TEXT COLLATE "C" NOT NULL,
    create_us   BIGINT NOT NULL,
    PRIMARY KEY (practice_id, case_id, visit, seq),
    FOREIGN KEY (practice_id, case_id, visit) REFERENCES chair_visits (practice_id, case_id, visit)
);
CREATE UNIQUE INDEX chair_marks_id ON chair_marks (practice_id, case_id, visit, mark_id);
-- A visit begins once and ends once.
CREATE UNIQUE INDEX chair_marks_once ON chair_marks (practice_id, case_id, visit, kind) WHERE kind IN ('begin', 'end');
CREATE INDEX chair_marks_ended ON chair_marks (practice_id, at_us, case_id, visit) WHERE kind = 'end';

-- What one ended visit says about speed: derived from its entries, and made
-- anew whenever they are corrected.
CREATE TABLE chair_observations (
    practice_id TEXT COLLATE "C" NOT NULL,
    case_id     TEXT COLLATE "C" NOT NULL,
    visit       BIGINT NOT NULL,
    protocol    TEXT COLLATE "C" NOT NULL,
    tooth_class TEXT COLLATE "C" NOT NULL,
    clinician   TEXT COLLATE "C" NOT NULL,
    end_us      BIGINT NOT NULL,
    document    TEXT COLLATE "C" NOT NULL,
    PRIMARY KEY (practice_id, case_id, visit),
    FOREIGN KEY (practice_id, case_id, visit) REFERENCES chair_visits (practice_id, case_id, visit)
);
CREATE INDEX chair_observations_group ON chair_observations (practice_id, protocol, tooth_class, end_us);

CREATE TRIGGER chair_visits_keep BEFORE UPDATE OR DELETE ON chair_visits FOR EACH ROW EXECUTE FUNCTION visitwright_append_only();
CREATE TRIGGER chair_visits_keep_all BEFORE TRUNCATE ON chair_visits FOR EACH STATEMENT EXECUTE FUNCTION visitwright_append_only();
CREATE TRIGGER chair_marks_keep BEFORE UPDATE OR DELETE ON chair_marks FOR EACH ROW EXECUTE FUNCTION visitwright_append_only();
CREATE TRIGGER chair_marks_keep_all BEFORE TRUNCATE ON chair_marks FOR EACH STATEMENT EXECUTE FUNCTION visitwright_append_only();

ALTER TABLE chair_visits ENABLE ROW LEVEL SECURITY;
ALTER TABLE chair_visits FORCE ROW LEVEL SECURITY;
CREATE POLICY one_practice ON chair_visits USING (practice_id = current_setting('visitwright.practice', true) OR current_setting('visitwright.practice', true) = '*');
ALTER TABLE chair_marks ENABLE ROW LEVEL SECURITY;
ALTER TABLE chair_marks FORCE ROW LEVEL SECURITY;
CREATE POLICY one_practice ON chair_marks USING (practice_id = current_setting('visitwright.practice', true) OR current_setting('visitwright.practice', true) = '*');
ALTER TABLE chair_observations ENABLE ROW LEVEL SECURITY;
ALTER TABLE chair_observations FORCE ROW LEVEL SECURITY;
CREATE POLICY one_practice ON chair_observations USING (practice_id = current_setting('visitwright.practice', true) OR current_setting('visitwright.practice', true) = '*');
