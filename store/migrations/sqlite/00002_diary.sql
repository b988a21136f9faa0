-- +goose Up
-- Who and what can be booked. ref is kind and id, for example "room/01jd...".
CREATE TABLE resources (
    practice_id  TEXT NOT NULL REFERENCES practices,
    ref          TEXT NOT NULL,
    kind         TEXT NOT NULL CHECK (kind IN ('room', 'clinician', 'nurse', 'equipment')),
    id           TEXT NOT NULL,
    name         TEXT NOT NULL,
    class        TEXT NOT NULL,
    rooms        TEXT NOT NULL,
    preparation  INTEGER NOT NULL CHECK (preparation BETWEEN 0 AND 120),
    clean_up     INTEGER NOT NULL CHECK (clean_up BETWEEN 0 AND 120),
    active       INTEGER NOT NULL CHECK (active IN (0, 1)),
    external_ids TEXT NOT NULL,
    document     BLOB NOT NULL,
    row_version  INTEGER NOT NULL,
    create_us    INTEGER NOT NULL,
    update_us    INTEGER NOT NULL,
    PRIMARY KEY (practice_id, ref),
    CHECK (ref = kind || '/' || id)
) STRICT, WITHOUT ROWID;

-- All rules of one owner are one document: they are replaced together. An empty
-- owner is the practice.
CREATE TABLE hours (
    practice_id TEXT NOT NULL REFERENCES practices,
    owner       TEXT NOT NULL,
    rules       TEXT NOT NULL,
    row_version INTEGER NOT NULL,
    PRIMARY KEY (practice_id, owner)
) STRICT, WITHOUT ROWID;

CREATE TABLE absences (
    practice_id TEXT NOT NULL REFERENCES practices,
    id          TEXT NOT NULL,
    owner       TEXT NOT NULL,
    from_day    TEXT NOT NULL CHECK (length(from_day) = 10),
    from_min    INTEGER NOT NULL CHECK (from_min BETWEEN 0 AND 1439),
    to_day      TEXT NOT NULL CHECK (length(to_day) = 10),
    to_min      INTEGER NOT NULL CHECK (to_min BETWEEN 1 AND 1440),
    kind        TEXT NOT NULL,
    note        TEXT NOT NULL,
    row_version INTEGER NOT NULL,
    create_us   INTEGER NOT NULL,
    PRIMARY KEY (practice_id, id),
    CHECK (from_day < to_day OR (from_day = to_day AND from_min < to_min))
) STRICT, WITHOUT ROWID;

-- due_us: when the appointment ends by itself (a provisional one expires, one
-- that is "if needed" is released); 0 when it does not.
CREATE TABLE appointments (
    practice_id  TEXT NOT NULL REFERENCES practices,
    id           TEXT NOT NULL,
    booking      TEXT NOT NULL,
    origin       TEXT NOT NULL CHECK (origin IN ('own', 'external')),
    system       TEXT NOT NULL,
    value        TEXT NOT NULL,
    patient_id   TEXT,
    cases        TEXT NOT NULL,
    state        TEXT NOT NULL CHECK (state IN ('provisional', 'booked', 'arrived', 'in_chair', 'left', 'did_not_attend', 'cancelled', 'expired', 'released')),
    start_us     INTEGER NOT NULL,
    end_us       INTEGER NOT NULL,
    zone         TEXT NOT NULL,
    local_start  TEXT NOT NULL,
    zone_version TEXT NOT NULL,
    spans        TEXT NOT NULL,
    hold_until   INTEGER NOT NULL,
    if_needed    INTEGER NOT NULL CHECK (if_needed IN (0, 1)),
    release_us   INTEGER NOT NULL,
    due_us       INTEGER NOT NULL,
    reason       TEXT NOT NULL,
    late_minutes INTEGER NOT NULL CHECK (late_minutes BETWEEN 0 AND 600),
    arrive_us    INTEGER NOT NULL,
    chair_us     INTEGER NOT NULL,
    leave_us     INTEGER NOT NULL,
    sequence     INTEGER NOT NULL,
    sealed       BLOB NOT NULL,
    content_hash BLOB NOT NULL,
    row_version  INTEGER NOT NULL,
    create_us    INTEGER NOT NULL,
    update_us    INTEGER NOT NULL,
    PRIMARY KEY (practice_id, id),
    FOREIGN KEY (practice_id, patient_id) REFERENCES patients (practice_id, id),
    CHECK (start_us < end_us AND end_us - start_us <= 86400000000),
    CHECK (origin = 'external' OR patient_id IS NOT NULL),
    CHECK (state <> 'provisional' OR hold_until > 0)
) STRICT;
CREATE UNIQUE INDEX appointments_external ON appointments (practice_id, system, value) WHERE origin = 'external';
CREATE INDEX appointments_start ON appointments (practice_id, start_us, id);
CREATE INDEX appointments_patient ON appointments (practice_id, patient_id, start_us);
CREATE INDEX appointments_booking ON appointments (practice_id, booking);
CREATE INDEX appointments_due ON appointments (practice_id, due_us) WHERE due_us > 0;

CREATE TABLE appointment_cases (
    practice_id    TEXT NOT NULL,
    appointment_id TEXT NOT NULL,
    case_id        TEXT NOT NULL,
    PRIMARY KEY (practice_id, case_id, appointment_id),
    FOREIGN KEY (practice_id, appointment_id) REFERENCES appointments (practice_id, id),
    FOREIGN KEY (practice_id, case_id) REFERENCES cases (practice_id, id)
) STRICT, WITHOUT ROWID;

-- What an appointment holds, and when. hold: 0 nothing (any more), 1 taken in
-- from another system, 2 ours: no two of these share a resource at one time.
CREATE TABLE spans (
    practice_id    TEXT NOT NULL,
    appointment_id TEXT NOT NULL,
    resource       TEXT NOT NULL,
    start_us       INTEGER NOT NULL,
    end_us         INTEGER NOT NULL,
    hold           INTEGER NOT NULL CHECK (hold BETWEEN 0 AND 2),
    FOREIGN KEY (practice_id, appointment_id) REFERENCES appointments (practice_id, id),
    CHECK (start_us < end_us AND end_us - start_us <= 86400000000)
) STRICT;
CREATE INDEX spans_appointment ON spans (practice_id, appointment_id);
CREATE INDEX spans_resource ON spans (practice_id, resource, hold, start_us, end_us);

-- A span is at most a day long, so that only spans that begin within a day
-- before can reach into another.
-- +goose StatementBegin
CREATE TRIGGER spans_taken_i BEFORE INSERT ON spans WHEN NEW.hold = 2 BEGIN
    SELECT RAISE(ABORT, 'span_taken') WHERE EXISTS (
        SELECT 1 FROM spans WHERE practice_id = NEW.practice_id AND resource = NEW.resource AND hold = 2
        AND start_us < NEW.end_us AND start_us > NEW.start_us - 86400000000 AND end_us > NEW.start_us);
END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER spans_taken_u BEFORE UPDATE ON spans WHEN NEW.hold = 2 BEGIN
    SELECT RAISE(ABORT, 'span_taken') WHERE EXISTS (
        SELECT 1 FROM spans WHERE practice_id = NEW.practice_id AND resource = NEW.resource AND hold = 2
        AND start_us < NEW.end_us AND start_us > NEW.start_us - 86400000000 AND end_us > NEW.start_us
        AND rowid <> OLD.rowid);
END;
-- +goose StatementEnd

-- The state of an appointment decides what its spans hold, however it changed.
-- +goose StatementBegin
CREATE TRIGGER appointments_hold AFTER UPDATE OF state ON appointments WHEN NEW.state <> OLD.state BEGIN
    UPDATE spans SET hold = CASE
        WHEN NEW.state NOT IN ('provisional', 'booked', 'arrived', 'in_chair', 'left') THEN 0
        WHEN NEW.origin = 'external' THEN 1 ELSE 2 END
    WHERE practice_id = NEW.practice_id AND appointment_id = NEW.id
    AND hold <> CASE
        WHEN NEW.state NOT IN ('provisional', 'booked', 'arrived', 'in_chair', 'left') THEN 0
        WHEN NEW.origin = 'external' THEN 1 ELSE 2 END;
END;
-- +goose StatementEnd

-- The occupied time of one UTC day, all resources together.
CREATE TABLE diary_days (
    practice_id TEXT NOT NULL REFERENCES practices,
    day         INTEGER NOT NULL,
    version     INTEGER NOT NULL,
    masks       BLOB NOT NULL,
    PRIMARY KEY (practice_id, day)
) STRICT;
