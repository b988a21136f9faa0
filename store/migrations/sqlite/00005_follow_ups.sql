-- +goose Up
-- What may have changed something that falls due. Written by triggers in the
-- transaction of the cause, and never waited for: rows are only added, and
-- taken away by the sweep. ref is the id of a case or an appointment.
CREATE TABLE causes (
    seq         INTEGER PRIMARY KEY AUTOINCREMENT,
    practice_id TEXT NOT NULL,
    kind        TEXT NOT NULL CHECK (kind IN ('visit', 'case', 'appointment', 'hours')),
    ref         TEXT NOT NULL
) STRICT;

-- What happened to a case after its visits, and when it is looked at again:
-- look_us 0 means that only an event can change anything.
CREATE TABLE care (
    practice_id TEXT NOT NULL,
    case_id     TEXT NOT NULL,
    patient_id  TEXT NOT NULL,
    sealed      BLOB NOT NULL,
    look_us     INTEGER NOT NULL,
    row_version INTEGER NOT NULL,
    update_us   INTEGER NOT NULL,
    PRIMARY KEY (practice_id, case_id),
    FOREIGN KEY (practice_id, case_id) REFERENCES cases (practice_id, id)
) STRICT;

-- What must happen by a date: derived from care, written as a whole for a case.
CREATE TABLE follow_ups (
    practice_id TEXT NOT NULL,
    case_id     TEXT NOT NULL,
    key         TEXT NOT NULL,
    patient_id  TEXT NOT NULL,
    kind        TEXT NOT NULL,
    state       TEXT NOT NULL CHECK (state IN ('ahead', 'due', 'booked', 'booked-outside', 'overdue')),
    actor       TEXT NOT NULL,
    earliest    TEXT NOT NULL,
    target      TEXT NOT NULL,
    latest      TEXT NOT NULL,
    act_on      TEXT NOT NULL,
    reason      TEXT NOT NULL,
    replan      TEXT NOT NULL,
    PRIMARY KEY (practice_id, case_id, key),
    FOREIGN KEY (practice_id, case_id) REFERENCES care (practice_id, case_id)
) STRICT;

-- Reviews that took place, for the practice's own figures.
CREATE TABLE reviews_held (
    practice_id TEXT NOT NULL,
    case_id     TEXT NOT NULL,
    months      INTEGER NOT NULL,
    state       TEXT NOT NULL CHECK (state IN ('held', 'missed')),
    outcome     TEXT NOT NULL,
    day         TEXT NOT NULL,
    PRIMARY KEY (practice_id, case_id, months),
    FOREIGN KEY (practice_id, case_id) REFERENCES care (practice_id, case_id)
) STRICT;

-- What a patient agreed to receive.
CREATE TABLE contact_wishes (
    practice_id TEXT NOT NULL,
    patient_id  TEXT NOT NULL,
    channel     TEXT NOT NULL CHECK (channel IN ('email', 'text', 'none')),
    opted_out   INTEGER NOT NULL CHECK (opted_out IN (0, 1)),
    language    TEXT NOT NULL,
    consent_day TEXT NOT NULL,
    update_us   INTEGER NOT NULL,
    PRIMARY KEY (practice_id, patient_id),
    FOREIGN KEY (practice_id, patient_id) REFERENCES patients (practice_id, id)
) STRICT;

-- The outbox. One row for one occasion, whoever plans it and however often.
-- attempt fences: who holds an older attempt changes nothing any more.
CREATE TABLE messages (
    practice_id    TEXT NOT NULL,
    id             TEXT NOT NULL,
    occasion       TEXT NOT NULL,
    patient_id     TEXT NOT NULL,
    case_id        TEXT NOT NULL,
    follow_key     TEXT NOT NULL,
    appointment_id TEXT NOT NULL,
    start_us       INTEGER NOT NULL,
    kind           TEXT NOT NULL,
    routine        INTEGER NOT NULL CHECK (routine IN (0, 1)),
    state          TEXT NOT NULL CHECK (state IN ('waiting', 'claimed', 'sending', 'sent', 'call', 'uncertain', 'failed', 'cancelled')),
    attempt        INTEGER NOT NULL,
    not_before_us  INTEGER NOT NULL,
    useless_us     INTEGER NOT NULL,
    lease_us       INTEGER NOT NULL,
    worker         TEXT NOT NULL,
    routine_day    TEXT NOT NULL,
    channel        TEXT NOT NULL,
    problem        TEXT NOT NULL,
    send_us        INTEGER NOT NULL,
    create_us      INTEGER NOT NULL,
    PRIMARY KEY (practice_id, id),
    FOREIGN KEY (practice_id, patient_id) REFERENCES patients (practice_id, id)
) STRICT;

-- The jobs that run by themselves: one row for all replicas.
CREATE TABLE job_runs (
    job        TEXT NOT NULL PRIMARY KEY,
    start_us   INTEGER NOT NULL,
    success_us INTEGER NOT NULL,
    next_us    INTEGER NOT NULL,
    took_us    INTEGER NOT NULL,
    failures   INTEGER NOT NULL,
    in_a_row   INTEGER NOT NULL,
    done       INTEGER NOT NULL
) STRICT;

CREATE INDEX causes_practice ON causes (practice_id, seq);
CREATE INDEX care_look ON care (look_us, practice_id, case_id) WHERE look_us > 0;
CREATE INDEX care_look_practice ON care (practice_id, look_us) WHERE look_us > 0;
CREATE INDEX follow_ups_latest ON follow_ups (practice_id, latest, case_id, key) WHERE state <> 'ahead';
CREATE UNIQUE INDEX messages_occasion ON messages (practice_id, occasion);
CREATE INDEX messages_due ON messages (not_before_us, practice_id, id) WHERE state = 'waiting';
CREATE INDEX messages_lease ON messages (lease_us, practice_id, id) WHERE state IN ('claimed', 'sending');
CREATE INDEX messages_case ON messages (practice_id, case_id) WHERE case_id <> '';
CREATE INDEX messages_appointment ON messages (practice_id, appointment_id) WHERE appointment_id <> '';
-- At most one routine message for one person and day: the database refuses the
-- second, whoever sends it.
CREATE UNIQUE INDEX messages_one_a_day ON messages (practice_id, patient_id, routine_day) WHERE routine_day <> '';

-- The causes.
-- +goose StatementBegin
CREATE TRIGGER appointments_cause_i AFTER INSERT ON appointments WHEN NEW.origin = 'own' OR length(NEW.cases) > 4 BEGIN INSERT INTO causes (practice_id, kind, ref) VALUES (NEW.practice_id, 'appointment', NEW.id); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER appointments_cause_u AFTER UPDATE OF state, start_us ON appointments WHEN (NEW.origin = 'own' OR length(NEW.cases) > 4) AND (NEW.state <> OLD.state OR NEW.start_us <> OLD.start_us) BEGIN INSERT INTO causes (practice_id, kind, ref) VALUES (NEW.practice_id, 'appointment', NEW.id); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER cases_cause AFTER UPDATE OF state ON cases WHEN NEW.state <> OLD.state BEGIN INSERT INTO causes (practice_id, kind, ref) VALUES (NEW.practice_id, 'case', NEW.id); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER chair_marks_cause AFTER INSERT ON chair_marks WHEN NEW.kind IN ('end', 'log') BEGIN INSERT INTO causes (practice_id, kind, ref) VALUES (NEW.practice_id, 'visit', NEW.case_id); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER hours_cause_i AFTER INSERT ON hours BEGIN INSERT INTO causes (practice_id, kind, ref) VALUES (NEW.practice_id, 'hours', ''); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER hours_cause_u AFTER UPDATE ON hours BEGIN INSERT INTO causes (practice_id, kind, ref) VALUES (NEW.practice_id, 'hours', ''); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER hours_cause_d AFTER DELETE ON hours BEGIN INSERT INTO causes (practice_id, kind, ref) VALUES (OLD.practice_id, 'hours', ''); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER absences_cause_i AFTER INSERT ON absences BEGIN INSERT INTO causes (practice_id, kind, ref) VALUES (NEW.practice_id, 'hours', ''); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER absences_cause_u AFTER UPDATE ON absences BEGIN INSERT INTO causes (practice_id, kind, ref) VALUES (NEW.practice_id, 'hours', ''); END;
-- +goose StatementEnd
-- +goose StatementBegin
CREATE TRIGGER absences_cause_d AFTER DELETE ON absences BEGIN INSERT INTO causes (practice_id, kind, ref) VALUES (OLD.practice_id, 'hours', ''); END;
-- +goose StatementEnd
