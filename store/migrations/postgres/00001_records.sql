-- +goose Up
-- Instants are microseconds since 1970 in UTC; 0 stands for "none".
-- Every key begins with the practice.
CREATE TABLE practices (
    practice_id TEXT COLLATE "C" NOT NULL PRIMARY KEY CHECK (length(practice_id) BETWEEN 1 AND 40),
    name        TEXT COLLATE "C" NOT NULL,
    zone        TEXT COLLATE "C" NOT NULL,
    notation    TEXT COLLATE "C" NOT NULL CHECK (notation IN ('iso', 'universal', 'quadrant')),
    settings    BYTEA NOT NULL,
    row_version BIGINT NOT NULL,
    create_us   BIGINT NOT NULL,
    update_us   BIGINT NOT NULL
);

-- One row a practice, locked last by every write: it numbers the audit trail
-- and the change log in the order of commits.
CREATE TABLE practice_heads (
    practice_id   TEXT COLLATE "C" NOT NULL PRIMARY KEY REFERENCES practices,
    audit_seq     BIGINT NOT NULL,
    audit_hash    BYTEA NOT NULL,
    change_seq    BIGINT NOT NULL,
    change_floor  BIGINT NOT NULL,
    diary_version BIGINT NOT NULL,
    setup_version BIGINT NOT NULL
);

CREATE TABLE tokens (
    practice_id TEXT COLLATE "C" NOT NULL REFERENCES practices,
    id          TEXT COLLATE "C" NOT NULL,
    role        TEXT COLLATE "C" NOT NULL CHECK (role IN ('reception', 'nurse', 'clinician', 'manager', 'integration')),
    label       TEXT COLLATE "C" NOT NULL,
    clinician   TEXT COLLATE "C" NOT NULL,
    hash        BYTEA NOT NULL CHECK (length(hash) = 32),
    expire_us   BIGINT NOT NULL,
    revoke_us   BIGINT NOT NULL,
    create_us   BIGINT NOT NULL,
    PRIMARY KEY (practice_id, id)
);

CREATE TABLE clinicians (
    practice_id  TEXT COLLATE "C" NOT NULL REFERENCES practices,
    id           TEXT COLLATE "C" NOT NULL,
    name         TEXT COLLATE "C" NOT NULL,
    protocols    TEXT COLLATE "C" NOT NULL,
    settings     BYTEA NOT NULL,
    external_ids TEXT COLLATE "C" NOT NULL,
    active       BOOLEAN NOT NULL,
    row_version  BIGINT NOT NULL,
    create_us    BIGINT NOT NULL,
    update_us    BIGINT NOT NULL,
    PRIMARY KEY (practice_id, id)
);

CREATE TABLE external_ids (
    practice_id TEXT COLLATE "C" NOT NULL REFERENCES practices,
    kind        TEXT COLLATE "C" NOT NULL,
    system      TEXT COLLATE "C" NOT NULL,
    value       TEXT COLLATE "C" NOT NULL,
    record_id   TEXT COLLATE "C" NOT NULL,
    PRIMARY KEY (practice_id, kind, system, value)
);
CREATE INDEX external_ids_record ON external_ids (practice_id, kind, record_id);

CREATE TABLE patients (
    practice_id   TEXT COLLATE "C" NOT NULL REFERENCES practices,
    id            TEXT COLLATE "C" NOT NULL,
    reference     TEXT COLLATE "C" NOT NULL CHECK (length(reference) BETWEEN 1 AND 64),
    reference_key TEXT COLLATE "C" NOT NULL,
    weight_grams  BIGINT NOT NULL CHECK (weight_grams BETWEEN 0 AND 500000),
    birth_year    BIGINT NOT NULL,
    sealed        BYTEA NOT NULL,
    external_ids  TEXT COLLATE "C" NOT NULL,
    row_version   BIGINT NOT NULL,
    create_us     BIGINT NOT NULL,
    update_us     BIGINT NOT NULL,
    PRIMARY KEY (practice_id, id)
);
CREATE UNIQUE INDEX patients_reference ON patients (practice_id, reference_key);

-- Keyed hashes of words and digits: finds a patient without storing the word.
CREATE TABLE patient_words (
    practice_id TEXT COLLATE "C" NOT NULL,
    word        BYTEA NOT NULL,
    patient_id  TEXT COLLATE "C" NOT NULL,
    PRIMARY KEY (practice_id, word, patient_id),
    FOREIGN KEY (practice_id, patient_id) REFERENCES patients (practice_id, id)
);
CREATE INDEX patient_words_patient ON patient_words (practice_id, patient_id);

CREATE TABLE cases (
    practice_id      TEXT COLLATE "C" NOT NULL,
    id               TEXT COLLATE "C" NOT NULL,
    patient_id       TEXT COLLATE "C" NOT NULL,
    tooth            BIGINT NOT NULL CHECK (tooth = 0 OR (tooth / 10 BETWEEN 1 AND 4 AND tooth % 10 BETWEEN 1 AND 8)),
    clinician        TEXT COLLATE "C" NOT NULL,
    state            TEXT COLLATE "C" NOT NULL CHECK (state IN ('referred', 'assessed', 'planned', 'in_treatment', 'filled', 'in_review', 'closed')),
    protocol         TEXT COLLATE "C" NOT NULL,
    diagnosis        TEXT COLLATE "C" NOT NULL,
    root_development TEXT COLLATE "C" NOT NULL,
    closing_reason   TEXT COLLATE "C" NOT NULL CHECK (closing_reason IN ('', 'healed_discharged', 'extracted', 'declined', 'transferred', 'lost', 'died')),
    close_us         BIGINT NOT NULL,
    sealed           BYTEA NOT NULL,
    external_ids     TEXT COLLATE "C" NOT NULL,
    revision         BIGINT NOT NULL,
    assessment       BIGINT NOT NULL,
    row_version      BIGINT NOT NULL,
    create_us        BIGINT NOT NULL,
    update_us        BIGINT NOT NULL,
    PRIMARY KEY (practice_id, id),
    FOREIGN KEY (practice_id, patient_id) REFERENCES patients (practice_id, id),
    CHECK ((state = 'closed') = (closing_reason <> ''))
);
CREATE INDEX cases_patient ON cases (practice_id, patient_id, id);

CREATE TABLE assessments (
    practice_id TEXT COLLATE "C" NOT NULL,
    case_id     TEXT COLLATE "C" NOT NULL,
    version     BIGINT NOT NULL CHECK (version >= 1),
    sealed      BYTEA NOT NULL,
    actor       TEXT COLLATE "C" NOT NULL,
    create_us   BIGINT NOT NULL,
    PRIMARY KEY (practice_id, case_id, version),
    FOREIGN KEY (practice_id, case_id) REFERENCES cases (practice_id, id)
);

CREATE TABLE plan_revisions (
    practice_id         TEXT COLLATE "C" NOT NULL,
    case_id             TEXT COLLATE "C" NOT NULL,
    revision            BIGINT NOT NULL CHECK (revision >= 1),
    assessment          BIGINT NOT NULL,
    cause               TEXT COLLATE "C" NOT NULL,
    recommended         TEXT COLLATE "C" NOT NULL,
    model_version       TEXT COLLATE "C" NOT NULL,
    data_version        TEXT COLLATE "C" NOT NULL,
    calibration_version TEXT COLLATE "C" NOT NULL,
    sealed              BYTEA NOT NULL,
    actor               TEXT COLLATE "C" NOT NULL,
    create_us           BIGINT NOT NULL,
    PRIMARY KEY (practice_id, case_id, revision),
    FOREIGN KEY (practice_id, case_id) REFERENCES cases (practice_id, id)
);

CREATE TABLE planned_visits (
    practice_id   TEXT COLLATE "C" NOT NULL,
    case_id       TEXT COLLATE "C" NOT NULL,
    revision      BIGINT NOT NULL,
    option_id     TEXT COLLATE "C" NOT NULL,
    visit         BIGINT NOT NULL CHECK (visit BETWEEN 1 AND 16),
    minutes       BIGINT NOT NULL CHECK (minutes BETWEEN 1 AND 960),
    earliest_days BIGINT,
    target_days   BIGINT,
    latest_days   BIGINT,
    if_needed     BOOLEAN NOT NULL,
    need_permille BIGINT NOT NULL CHECK (need_permille BETWEEN 0 AND 1000),
    PRIMARY KEY (practice_id, case_id, revision, option_id, visit),
    FOREIGN KEY (practice_id, case_id, revision) REFERENCES plan_revisions (practice_id, case_id, revision),
    CHECK (earliest_days IS NULL OR latest_days IS NULL OR earliest_days <= latest_days)
);

CREATE TABLE acceptances (
    practice_id TEXT COLLATE "C" NOT NULL,
    case_id     TEXT COLLATE "C" NOT NULL,
    seq         BIGINT NOT NULL CHECK (seq >= 1),
    revision    BIGINT NOT NULL,
    option_id   TEXT COLLATE "C" NOT NULL,
    clinician   TEXT COLLATE "C" NOT NULL,
    sealed      BYTEA NOT NULL,
    actor       TEXT COLLATE "C" NOT NULL,
    create_us   BIGINT NOT NULL,
    PRIMARY KEY (practice_id, case_id, seq),
    FOREIGN KEY (practice_id, case_id, revision) REFERENCES plan_revisions (practice_id, case_id, revision)
);

CREATE TABLE audit (
    practice_id TEXT COLLATE "C" NOT NULL REFERENCES practices,
    seq         BIGINT NOT NULL,
    at_us       BIGINT NOT NULL,
    actor       TEXT COLLATE "C" NOT NULL,
    role        TEXT COLLATE "C" NOT NULL,
    acting_for  TEXT COLLATE "C" NOT NULL,
    method      TEXT COLLATE "C" NOT NULL,
    resource    TEXT COLLATE "C" NOT NULL,
    request_id  TEXT COLLATE "C" NOT NULL,
    correlation TEXT COLLATE "C" NOT NULL,
    outcome     TEXT COLLATE "C" NOT NULL,
    fields      TEXT COLLATE "C" NOT NULL,
    times       BIGINT NOT NULL,
    prev_hash   BYTEA NOT NULL CHECK (length(prev_hash) = 32),
    hash        BYTEA NOT NULL CHECK (length(hash) = 32),
    PRIMARY KEY (practice_id, seq)
);
CREATE INDEX audit_resource ON audit (practice_id, resource, seq);

CREATE TABLE requests (
    practice_id  TEXT COLLATE "C" NOT NULL REFERENCES practices,
    method       TEXT COLLATE "C" NOT NULL,
    request_id   TEXT COLLATE "C" NOT NULL CHECK (length(request_id) BETWEEN 1 AND 64),
    request_hash BYTEA NOT NULL CHECK (length(request_hash) = 32),
    response     BYTEA NOT NULL,
    create_us    BIGINT NOT NULL,
    PRIMARY KEY (practice_id, method, request_id)
);
CREATE INDEX requests_age ON requests (practice_id, create_us);

CREATE TABLE changes (
    practice_id TEXT COLLATE "C" NOT NULL REFERENCES practices,
    seq         BIGINT NOT NULL,
    at_us       BIGINT NOT NULL,
    kind        TEXT COLLATE "C" NOT NULL,
    resource    TEXT COLLATE "C" NOT NULL,
    etag        TEXT COLLATE "C" NOT NULL,
    actor       TEXT COLLATE "C" NOT NULL,
    PRIMARY KEY (practice_id, seq)
);

-- What is written here is never changed, whatever the program does.
-- +goose StatementBegin
CREATE FUNCTION visitwright_append_only() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION 'append_only' USING ERRCODE = 'VW001';
END $$;
-- +goose StatementEnd
CREATE TRIGGER assessments_keep BEFORE UPDATE OR DELETE ON assessments FOR EACH ROW EXECUTE FUNCTION visitwright_append_only();
CREATE TRIGGER assessments_keep_all BEFORE TRUNCATE ON assessments FOR EACH STATEMENT EXECUTE FUNCTION visitwright_append_only();
CREATE TRIGGER plan_revisions_keep BEFORE UPDATE OR DELETE ON plan_revisions FOR EACH ROW EXECUTE FUNCTION visitwright_append_only();
CREATE TRIGGER plan_revisions_keep_all BEFORE TRUNCATE ON plan_revisions FOR EACH STATEMENT EXECUTE FUNCTION visitwright_append_only();
CREATE TRIGGER planned_visits_keep BEFORE UPDATE OR DELETE ON planned_visits FOR EACH ROW EXECUTE FUNCTION visitwright_append_only();
CREATE TRIGGER planned_visits_keep_all BEFORE TRUNCATE ON planned_visits FOR EACH STATEMENT EXECUTE FUNCTION visitwright_append_only();
CREATE TRIGGER acceptances_keep BEFORE UPDATE OR DELETE ON acceptances FOR EACH ROW EXECUTE FUNCTION visitwright_append_only();
CREATE TRIGGER acceptances_keep_all BEFORE TRUNCATE ON acceptances FOR EACH STATEMENT EXECUTE FUNCTION visitwright_append_only();
CREATE TRIGGER audit_keep BEFORE UPDATE OR DELETE ON audit FOR EACH ROW EXECUTE FUNCTION visitwright_append_only();
CREATE TRIGGER audit_keep_all BEFORE TRUNCATE ON audit FOR EACH STATEMENT EXECUTE FUNCTION visitwright_append_only();

-- A second wall between practices: a session sees the rows of the practice that
-- its transaction names. '*' is named by maintenance alone.
ALTER TABLE practices ENABLE ROW LEVEL SECURITY;
ALTER TABLE practices FORCE ROW LEVEL SECURITY;
CREATE POLICY one_practice ON practices USING (practice_id = current_setting('visitwright.practice', true) OR current_setting('visitwright.practice', true) = '*');
ALTER TABLE practice_heads ENABLE ROW LEVEL SECURITY;
ALTER TABLE practice_heads FORCE ROW LEVEL SECURITY;
CREATE POLICY one_practice ON practice_heads USING (practice_id = current_setting('visitwright.practice', true) OR current_setting('visitwright.practice', true) = '*');
ALTER TABLE tokens ENABLE ROW LEVEL SECURITY;
ALTER TABLE tokens FORCE ROW LEVEL SECURITY;
CREATE POLICY one_practice ON tokens USING (practice_id = current_setting('visitwright.practice', true) OR current_setting('visitwright.practice', true) = '*');
ALTER TABLE clinicians ENABLE ROW LEVEL SECURITY;
ALTER TABLE clinicians FORCE ROW LEVEL SECURITY;
CREATE POLICY one_practice ON clinicians USING (practice_id = current_setting('visitwright.practice', true) OR current_setting('visitwright.practice', true) = '*');
ALTER TABLE external_ids ENABLE ROW LEVEL SECURITY;
ALTER TABLE external_ids FORCE ROW LEVEL SECURITY;
CREATE POLICY one_practice ON external_ids USING (practice_id = current_setting('visitwright.practice', true) OR current_setting('visitwright.practice', true) = '*');
ALTER TABLE patients ENABLE ROW LEVEL SECURITY;
ALTER TABLE patients FORCE ROW LEVEL SECURITY;
CREATE POLICY one_practice ON patients USING (practice_id = current_setting('visitwright.practice', true) OR current_setting('visitwright.practice', true) = '*');
ALTER TABLE patient_words ENABLE ROW LEVEL SECURITY;
ALTER TABLE patient_words FORCE ROW LEVEL SECURITY;
CREATE POLICY one_practice ON patient_words USING (practice_id = current_setting('visitwright.practice', true) OR current_setting('visitwright.practice', true) = '*');
ALTER TABLE cases ENABLE ROW LEVEL SECURITY;
ALTER TABLE cases FORCE ROW LEVEL SECURITY;
CREATE POLICY one_practice ON cases USING (practice_id = current_setting('visitwright.practice', true) OR current_setting('visitwright.practice', true) = '*');
ALTER TABLE assessments ENABLE ROW LEVEL SECURITY;
ALTER TABLE assessments FORCE ROW LEVEL SECURITY;
CREATE POLICY one_practice ON assessments USING (practice_id = current_setting('visitwright.practice', true) OR current_setting('visitwright.practice', true) = '*');
ALTER TABLE plan_revisions ENABLE ROW LEVEL SECURITY;
ALTER TABLE plan_revisions FORCE ROW LEVEL SECURITY;
CREATE POLICY one_practice ON plan_revisions USING (practice_id = current_setting('visitwright.practice', true) OR current_setting('visitwright.practice', true) = '*');
ALTER TABLE planned_visits ENABLE ROW LEVEL SECURITY;
ALTER TABLE planned_visits FORCE ROW LEVEL SECURITY;
CREATE POLICY one_practice ON planned_visits USING (practice_id = current_setting('visitwright.practice', true) OR current_setting('visitwright.practice', true) = '*');
ALTER TABLE acceptances ENABLE ROW LEVEL SECURITY;
ALTER TABLE acceptances FORCE ROW LEVEL SECURITY;
CREATE POLICY one_practice ON acceptances USING (practice_id = current_setting('visitwright.practice', true) OR current_setting('visitwright.practice', true) = '*');
ALTER TABLE audit ENABLE ROW LEVEL SECURITY;
ALTER TABLE audit FORCE ROW LEVEL SECURITY;
CREATE POLICY one_practice ON audit USING (practice_id = current_setting('visitwright.practice', true) OR current_setting('visitwright.practice', true) = '*');
ALTER TABLE requests ENABLE ROW LEVEL SECURITY;
ALTER TABLE requests FORCE ROW LEVEL SECURITY;
CREATE POLICY one_practice ON requests USING (practice_id = current_setting('visitwright.practice', true) OR current_setting('visitwright.practice', true) = '*');
ALTER TABLE changes ENABLE ROW LEVEL SECURITY;
ALTER TABLE changes FORCE ROW LEVEL SECURITY;
CREATE POLICY one_practice ON changes USING (practice_id = current_setting('visitwright.practice', true) OR current_setting('visitwright.practice', true) = '*');
