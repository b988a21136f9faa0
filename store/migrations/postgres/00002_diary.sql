-- +goose Up
CREATE EXTENSION IF NOT EXISTS btree_gist;

-- Who and what can be booked. ref is kind and id, for example "room/01jd...".
CREATE TABLE resources (
    practice_id  TEXT COLLATE "C" NOT NULL REFERENCES practices,
    ref          TEXT COLLATE "C" NOT NULL,
    kind         TEXT COLLATE "C" NOT NULL CHECK (kind IN ('room', 'clinician', 'nurse', 'equipment')),
    id           TEXT COLLATE "C" NOT NULL,
    name         TEXT COLLATE "C" NOT NULL,
    class        TEXT COLLATE "C" NOT NULL,
    rooms        TEXT COLLATE "C" NOT NULL,
    preparation  BIGINT NOT NULL CHECK (preparation BETWEEN 0 AND 120),
    clean_up     BIGINT NOT NULL CHECK (clean_up BETWEEN 0 AND 120),
    active       BOOLEAN NOT NULL,
    external_ids TEXT COLLATE "C" NOT NULL,
    document     BYTEA NOT NULL,
    row_version  BIGINT NOT NULL,
    create_us    BIGINT NOT NULL,
    update_us    BIGINT NOT NULL,
    PRIMARY KEY (practice_id, ref),
    CHECK (ref = kind || '/' || id)
);

-- All rules of one owner are one document: they are replaced together. An empty
-- owner is the practice.
CREATE TABLE hours (
    practice_id TEXT COLLATE "C" NOT NULL REFERENCES practices,
    owner       TEXT COLLATE "C" NOT NULL,
    rules       TEXT COLLATE "C" NOT NULL,
    row_version BIGINT NOT NULL,
    PRIMARY KEY (practice_id, owner)
);

CREATE TABLE absences (
    practice_id TEXT COLLATE "C" NOT NULL REFERENCES practices,
    id          TEXT COLLATE "C" NOT NULL,
    owner       TEXT COLLATE "C" NOT NULL,
    from_day    TEXT COLLATE "C" NOT NULL CHECK (length(from_day) = 10),
    from_min    BIGINT NOT NULL CHECK (from_min BETWEEN 0 AND 1439),
    to_day      TEXT COLLATE "C" NOT NULL CHECK (length(to_day) = 10),
    to_min      BIGINT NOT NULL CHECK (to_min BETWEEN 1 AND 1440),
    kind        TEXT COLLATE "C" NOT NULL,
    note        TEXT COLLATE "C" NOT NULL,
    row_version BIGINT NOT NULL,
    create_us   BIGINT NOT NULL,
    PRIMARY KEY (practice_id, id),
    CHECK (from_day < to_day OR (from_day = to_day AND from_min < to_min))
);

-- due_us: when the appointment ends by itself (a provisional one expires, one
-- that is "if needed" is released); 0 when it does not.
CREATE TABLE appointments (
    practice_id  TEXT COLLATE "C" NOT NULL REFERENCES practices,
    id           TEXT COLLATE "C" NOT NULL,
    booking      TEXT COLLATE "C" NOT NULL,
    origin       TEXT COLLATE "C" NOT NULL CHECK (origin IN ('own', 'external')),
    system       TEXT COLLATE "C" NOT NULL,
    value        TEXT COLLATE "C" NOT NULL,
    patient_id   TEXT COLLATE "C",
    cases        TEXT COLLATE "C" NOT NULL,
    state        TEXT COLLATE "C" NOT NULL CHECK (state IN ('provisional', 'booked', 'arrived', 'in_chair', 'left', 'did_not_attend', 'cancelled', 'expired', 'released')),
    start_us     BIGINT NOT NULL,
    end_us       BIGINT NOT NULL,
    zone         TEXT COLLATE "C" NOT NULL,
    local_start  TEXT COLLATE "C" NOT NULL,
    zone_version TEXT COLLATE "C" NOT NULL,
    spans        TEXT COLLATE "C" NOT NULL,
    hold_until   BIGINT NOT NULL,
    if_needed    BOOLEAN NOT NULL,
    release_us   BIGINT NOT NULL,
    due_us       BIGINT NOT NULL,
    reason       TEXT COLLATE "C" NOT NULL,
    late_minutes BIGINT NOT NULL CHECK (late_minutes BETWEEN 0 AND 600),
    arrive_us    BIGINT NOT NULL,
    chair_us     BIGINT NOT NULL,
    leave_us     BIGINT NOT NULL,
    sequence     BIGINT NOT NULL,
    sealed       BYTEA NOT NULL,
    content_hash BYTEA NOT NULL,
    row_version  BIGINT NOT NULL,
    create_us    BIGINT NOT NULL,
    update_us    BIGINT NOT NULL,
    PRIMARY KEY (practice_id, id),
    FOREIGN KEY (practice_id, patient_id) REFERENCES patients (practice_id, id),
    CHECK (start_us < end_us AND end_us - start_us <= 86400000000),
    CHECK (origin = 'external' OR patient_id IS NOT NULL),
    CHECK (state <> 'provisional' OR hold_until > 0)
);
CREATE UNIQUE INDEX appointments_external ON appointments (practice_id, system, value) WHERE origin = 'external';
CREATE INDEX appointments_start ON appointments (practice_id, start_us, id);
CREATE INDEX appointments_patient ON appointments (practice_id, patient_id, start_us);
CREATE INDEX appointments_booking ON appointments (practice_id, booking);
CREATE INDEX appointments_due ON appointments (practice_id, due_us) WHERE due_us > 0;

CREATE TABLE appointment_cases (
    practice_id    TEXT COLLATE "C" NOT NULL,
    appointment_id TEXT COLLATE "C" NOT NULL,
    case_id        TEXT COLLATE "C" NOT NULL,
    PRIMARY KEY (practice_id, case_id, appointment_id),
    FOREIGN KEY (practice_id, appointment_id) REFERENCES appointments (practice_id, id),
    FOREIGN KEY (practice_id, case_id) REFERENCES cases (practice_id, id)
);

-- What an appointment holds, and when. hold: 0 nothing (any more), 1 taken in
-- from another system, 2 ours: no two of these share a resource at one time.
CREATE TABLE spans (
    practice_id    TEXT COLLATE "C" NOT NULL,
    appointment_id TEXT COLLATE "C" NOT NULL,
    resource       TEXT COLLATE "C" NOT NULL,
    start_us       BIGINT NOT NULL,
    end_us         BIGINT NOT NULL,
    hold           SMALLINT NOT NULL CHECK (hold BETWEEN 0 AND 2),
    during         tstzrange GENERATED ALWAYS AS (tstzrange(to_timestamp(start_us::float8 / 1000000), to_timestamp(end_us::float8 / 1000000), '[)')) STORED,
    FOREIGN KEY (practice_id, appointment_id) REFERENCES appointments (practice_id, id),
    CHECK (start_us < end_us AND end_us - start_us <= 86400000000),
    CONSTRAINT spans_taken EXCLUDE USING gist (practice_id WITH =, resource WITH =, during WITH &&) WHERE (hold = 2)
);
CREATE INDEX spans_appointment ON spans (practice_id, appointment_id);
CREATE INDEX spans_resource ON spans (practice_id, resource, hold, start_us, end_us);

-- The state of an appointment decides what its spans hold, however it changed.
-- +goose StatementBegin
CREATE FUNCTION visitwright_hold() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    want smallint := CASE
        WHEN NEW.state NOT IN ('provisional', 'booked', 'arrived', 'in_chair', 'left') THEN 0
        WHEN NEW.origin = 'external' THEN 1 ELSE 2 END;
BEGIN
    UPDATE spans SET hold = want
    WHERE practice_id = NEW.practice_id AND appointment_id = NEW.id AND hold <> want;
    RETURN NULL;
END $$;
-- +goose StatementEnd
CREATE TRIGGER appointments_hold AFTER UPDATE OF state ON appointments
    FOR EACH ROW WHEN (NEW.state <> OLD.state) EXECUTE FUNCTION visitwright_hold();

-- The occupied time of one UTC day, all resources together.
CREATE TABLE diary_days (
    practice_id TEXT COLLATE "C" NOT NULL REFERENCES practices,
    day         BIGINT NOT NULL,
    version     BIGINT NOT NULL,
    masks       BYTEA NOT NULL,
    PRIMARY KEY (practice_id, day)
);

ALTER TABLE resources ENABLE ROW LEVEL SECURITY;
ALTER TABLE resources FORCE ROW LEVEL SECURITY;
CREATE POLICY one_practice ON resources USING (practice_id = current_setting('visitwright.practice', true) OR current_setting('visitwright.practice', true) = '*');
ALTER TABLE hours ENABLE ROW LEVEL SECURITY;
ALTER TABLE hours FORCE ROW LEVEL SECURITY;
CREATE POLICY one_practice ON hours USING (practice_id = current_setting('visitwright.practice', true) OR current_setting('visitwright.practice', true) = '*');
ALTER TABLE absences ENABLE ROW LEVEL SECURITY;
ALTER TABLE absences FORCE ROW LEVEL SECURITY;
CREATE POLICY one_practice ON absences USING (practice_id = current_setting('visitwright.practice', true) OR current_setting('visitwright.practice', true) = '*');
ALTER TABLE appointments ENABLE ROW LEVEL SECURITY;
ALTER TABLE appointments FORCE ROW LEVEL SECURITY;
CREATE POLICY one_practice ON appointments USING (practice_id = current_setting('visitwright.practice', true) OR current_setting('visitwright.practice', true) = '*');
ALTER TABLE appointment_cases ENABLE ROW LEVEL SECURITY;
ALTER TABLE appointment_cases FORCE ROW LEVEL SECURITY;
CREATE POLICY one_practice ON appointment_cases USING (practice_id = current_setting('visitwright.practice', true) OR current_setting('visitwright.practice', true) = '*');
ALTER TABLE spans ENABLE ROW LEVEL SECURITY;
ALTER TABLE spans FORCE ROW LEVEL SECURITY;
CREATE POLICY one_practice ON spans USING (practice_id = current_setting('visitwright.practice', true) OR current_setting('visitwright.practice', true) = '*');
ALTER TABLE diary_days ENABLE ROW LEVEL SECURITY;
ALTER TABLE diary_days FORCE ROW LEVEL SECURITY;
CREATE POLICY one_practice ON diary_days USING (practice_id = current_setting('visitwright.practice', true) OR current_setting('visitwright.practice', true) = '*');
