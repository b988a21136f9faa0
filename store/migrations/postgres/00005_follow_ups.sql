-- +goose Up
-- What may have changed something that falls due. Written by triggers in the
-- transaction of the cause, and never waited for: rows are only added, and
-- taken away by the sweep. ref is the id of a case or an appointment.
CREATE TABLE causes (
    seq         BIGINT GENERATED ALWAYS AS IDENTITY PRIMARY KEY,
    practice_id TEXT COLLATE "C" NOT NULL,
    kind        TEXT COLLATE "C" NOT NULL CHECK (kind IN ('visit', 'case', 'appointment', 'hours')),
    ref         TEXT COLLATE "C" NOT NULL
);

-- What happened to a case after its visits, and when it is looked at again:
-- look_us 0 means that only an event can change anything.
CREATE TABLE care (
    practice_id TEXT COLLATE "C" NOT NULL,
    case_id     TEXT COLLATE "C" NOT NULL,
    patient_id  TEXT COLLATE "C" NOT NULL,
    sealed      BYTEA NOT NULL,
    look_us     BIGINT NOT NULL,
    row_version BIGINT NOT NULL,
    update_us   BIGINT NOT NULL,
    PRIMARY KEY (practice_id, case_id),
    FOREIGN KEY (practice_id, case_id) REFERENCES cases (practice_id, id)
);

-- What must happen by a date: derived from care, written as a whole for a case.
CREATE TABLE follow_ups (
    practice_id TEXT COLLATE "C" NOT NULL,
    case_id     TEXT COLLATE "C" NOT NULL,
    key         TEXT COLLATE "C" NOT NULL,
    patient_id  TEXT COLLATE "C" NOT NULL,
    kind        TEXT COLLATE "C" NOT NULL,
    state       TEXT COLLATE "C" NOT NULL CHECK (state IN ('ahead', 'due', 'booked', 'booked-outside', 'overdue')),
    actor       TEXT COLLATE "C" NOT NULL,
    earliest    TEXT COLLATE "C" NOT NULL,
    target      TEXT COLLATE "C" NOT NULL,
    latest      TEXT COLLATE "C" NOT NULL,
    act_on      TEXT COLLATE "C" NOT NULL,
    reason      TEXT COLLATE "C" NOT NULL,
    replan      TEXT COLLATE "C" NOT NULL,
    PRIMARY KEY (practice_id, case_id, key),
    FOREIGN KEY (practice_id, case_id) REFERENCES care (practice_id, case_id)
);

-- Reviews that took place, for the practice's own figures.
CREATE TABLE reviews_held (
    practice_id TEXT COLLATE "C" NOT NULL,
    case_id     TEXT COLLATE "C" NOT NULL,
    months      BIGINT NOT NULL,
    state       TEXT COLLATE "C" NOT NULL CHECK (state IN ('held', 'missed')),
    outcome     TEXT COLLATE "C" NOT NULL,
    day         TEXT COLLATE "C" NOT NULL,
    PRIMARY KEY (practice_id, case_id, months),
    FOREIGN KEY (practice_id, case_id) REFERENCES care (practice_id, case_id)
);

-- What a patient agreed to receive.
CREATE TABLE contact_wishes (
    practice_id TEXT COLLATE "C" NOT NULL,
    patient_id  TEXT COLLATE "C" NOT NULL,
    channel     TEXT COLLATE "C" NOT NULL CHECK (channel IN ('email', 'text', 'none')),
    opted_out   BIGINT NOT NULL CHECK (opted_out IN (0, 1)),
    language    TEXT COLLATE "C" NOT NULL,
    consent_day TEXT COLLATE "C" NOT NULL,
    update_us   BIGINT NOT NULL,
    PRIMARY KEY (practice_id, patient_id),
    FOREIGN KEY (practice_id, patient_id) REFERENCES patients (practice_id, id)
);

-- The outbox. One row for one occasion, whoever plans it and however often.
-- attempt fences: who holds an older attempt changes nothing any more.
CREATE TABLE messages (
    practice_id    TEXT COLLATE "C" NOT NULL,
    id             TEXT COLLATE "C" NOT NULL,
    occasion       TEXT COLLATE "C" NOT NULL,
    patient_id     TEXT COLLATE "C" NOT NULL,
    case_id        TEXT COLLATE "C" NOT NULL,
    follow_key     TEXT COLLATE "C" NOT NULL,
    appointment_id TEXT COLLATE "C" NOT NULL,
    start_us       BIGINT NOT NULL,
    kind           TEXT COLLATE "C" NOT NULL,
    routine        BIGINT NOT NULL CHECK (routine IN (0, 1)),
    state          TEXT COLLATE "C" NOT NULL CHECK (state IN ('waiting', 'claimed', 'sending', 'sent', 'call', 'uncertain', 'failed', 'cancelled')),
    attempt        BIGINT NOT NULL,
    not_before_us  BIGINT NOT NULL,
    useless_us     BIGINT NOT NULL,
    lease_us       BIGINT NOT NULL,
    worker         TEXT COLLATE "C" NOT NULL,
    routine_day    TEXT COLLATE "C" NOT NULL,
    channel        TEXT COLLATE "C" NOT NULL,
    problem        TEXT COLLATE "C" NOT NULL,
    send_us        BIGINT NOT NULL,
    create_us      BIGINT NOT NULL,
    PRIMARY KEY (practice_id, id),
    FOREIGN KEY (practice_id, patient_id) REFERENCES patients (practice_id, id)
);

-- The jobs that run by themselves: one row for all replicas.
CREATE TABLE job_runs (
    job        TEXT COLLATE "C" NOT NULL PRIMARY KEY,
    start_us   BIGINT NOT NULL,
    success_us BIGINT NOT NULL,
    next_us    BIGINT NOT NULL,
    took_us    BIGINT NOT NULL,
    failures   BIGINT NOT NULL,
    in_a_row   BIGINT NOT NULL,
    done       BIGINT NOT NULL
);

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
CREATE FUNCTION visitwright_cause() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    IF TG_TABLE_NAME = 'appointments' THEN
        INSERT INTO causes (practice_id, kind, ref) VALUES (NEW.practice_id, 'appointment', NEW.id);
    ELSIF TG_TABLE_NAME = 'cases' THEN
        INSERT INTO causes (practice_id, kind, ref) VALUES (NEW.practice_id, 'case', NEW.id);
    ELSIF TG_TABLE_NAME = 'chair_marks' THEN
        INSERT INTO causes (practice_id, kind, ref) VALUES (NEW.practice_id, 'visit', NEW.case_id);
    ELSIF TG_OP = 'DELETE' THEN
        INSERT INTO causes (practice_id, kind, ref) VALUES (OLD.practice_id, 'hours', '');
    ELSE
        INSERT INTO causes (practice_id, kind, ref) VALUES (NEW.practice_id, 'hours', '');
    END IF;
    RETURN NULL;
END;
$$;
-- +goose StatementEnd
CREATE TRIGGER appointments_cause_i AFTER INSERT ON appointments FOR EACH ROW WHEN (NEW.origin = 'own' OR length(NEW.cases) > 4) EXECUTE FUNCTION visitwright_cause();
CREATE TRIGGER appointments_cause_u AFTER UPDATE OF state, start_us ON appointments FOR EACH ROW
    WHEN ((NEW.origin = 'own' OR length(NEW.cases) > 4) AND (NEW.state <> OLD.state OR NEW.start_us <> OLD.start_us)) EXECUTE FUNCTION visitwright_cause();
CREATE TRIGGER cases_cause AFTER UPDATE OF state ON cases FOR EACH ROW WHEN (NEW.state <> OLD.state) EXECUTE FUNCTION visitwright_cause();
CREATE TRIGGER chair_marks_cause AFTER INSERT ON chair_marks FOR EACH ROW WHEN (NEW.kind IN ('end', 'log')) EXECUTE FUNCTION visitwright_cause();
CREATE TRIGGER hours_cause AFTER INSERT OR UPDATE OR DELETE ON hours FOR EACH ROW EXECUTE FUNCTION visitwright_cause();
CREATE TRIGGER absences_cause AFTER INSERT OR UPDATE OR DELETE ON absences FOR EACH ROW EXECUTE FUNCTION visitwright_cause();

ALTER TABLE causes ENABLE ROW LEVEL SECURITY;
ALTER TABLE causes FORCE ROW LEVEL SECURITY;
CREATE POLICY one_practice ON causes USING (practice_id = current_setting('visitwright.practice', true) OR current_setting('visitwright.practice', true) = '*');
ALTER TABLE care ENABLE ROW LEVEL SECURITY;
ALTER TABLE care FORCE ROW LEVEL SECURITY;
CREATE POLICY one_practice ON care USING (practice_id = current_setting('visitwright.practice', true) OR current_setting('visitwright.practice', true) = '*');
ALTER TABLE follow_ups ENABLE ROW LEVEL SECURITY;
ALTER TABLE follow_ups FORCE ROW LEVEL SECURITY;
CREATE POLICY one_practice ON follow_ups USING (practice_id = current_setting('visitwright.practice', true) OR current_setting('visitwright.practice', true) = '*');
ALTER TABLE reviews_held ENABLE ROW LEVEL SECURITY;
ALTER TABLE reviews_held FORCE ROW LEVEL SECURITY;
CREATE POLICY one_practice ON reviews_held USING (practice_id = current_setting('visitwright.practice', true) OR current_setting('visitwright.practice', true) = '*');
ALTER TABLE contact_wishes ENABLE ROW LEVEL SECURITY;
ALTER TABLE contact_wishes FORCE ROW LEVEL SECURITY;
CREATE POLICY one_practice ON contact_wishes USING (practice_id = current_setting('visitwright.practice', true) OR current_setting('visitwright.practice', true) = '*');
ALTER TABLE messages ENABLE ROW LEVEL SECURITY;
ALTER TABLE messages FORCE ROW LEVEL SECURITY;
CREATE POLICY one_practice ON messages USING (practice_id = current_setting('visitwright.practice', true) OR current_setting('visitwright.practice', true) = '*');
ALTER TABLE job_runs ENABLE ROW LEVEL SECURITY;
ALTER TABLE job_runs FORCE ROW LEVEL SECURITY;
CREATE POLICY all_replicas ON job_runs USING (true);
