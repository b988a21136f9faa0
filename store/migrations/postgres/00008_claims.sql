-- +goose Up
-- Practices whose messages an integration sends: this server leaves them alone.
CREATE TABLE message_carriers (
    practice_id TEXT COLLATE "C" NOT NULL PRIMARY KEY REFERENCES practices (practice_id)
);

-- Latest days that have passed and made a new plan, each once: revision is the
-- plan proposed for it, 0 when none could be made, and problem says why.
CREATE TABLE replans (
    practice_id TEXT COLLATE "C" NOT NULL,
    case_id     TEXT COLLATE "C" NOT NULL,
    key         TEXT COLLATE "C" NOT NULL,
    step        TEXT COLLATE "C" NOT NULL,
    revision    BIGINT NOT NULL,
    problem     TEXT COLLATE "C" NOT NULL,
    create_us   BIGINT NOT NULL,
    PRIMARY KEY (practice_id, case_id, key, step),
    FOREIGN KEY (practice_id, case_id) REFERENCES care (practice_id, case_id)
);

CREATE INDEX messages_due_practice ON messages (practice_id, not_before_us, id) WHERE state = 'waiting';
CREATE INDEX messages_worker ON messages (practice_id, worker) WHERE state IN ('claimed', 'sending');
-- What asks for a new plan: only what is past its latest day says how the plan changes.
CREATE INDEX follow_ups_replan ON follow_ups (practice_id, case_id, key) WHERE kind = 'return-visit' AND replan <> '';

ALTER TABLE message_carriers ENABLE ROW LEVEL SECURITY;
ALTER TABLE message_carriers FORCE ROW LEVEL SECURITY;
CREATE POLICY one_practice ON message_carriers USING (practice_id = current_setting('visitwright.practice', true) OR current_setting('visitwright.practice', true) = '*');
ALTER TABLE replans ENABLE ROW LEVEL SECURITY;
ALTER TABLE replans FORCE ROW LEVEL SECURITY;
CREATE POLICY one_practice ON replans USING (practice_id = current_setting('visitwright.practice', true) OR current_setting('visitwright.practice', true) = '*');
