-- +goose Up
-- Practices whose messages an integration sends: this server leaves them alone.
CREATE TABLE message_carriers (
    practice_id TEXT NOT NULL PRIMARY KEY REFERENCES practices (practice_id)
) STRICT;

-- Latest days that have passed and made a new plan, each once: revision is the
-- plan proposed for it, 0 when none could be made, and problem says why.
CREATE TABLE replans (
    practice_id TEXT NOT NULL,
    case_id     TEXT NOT NULL,
    key         TEXT NOT NULL,
    step        TEXT NOT NULL,
    revision    INTEGER NOT NULL,
    problem     TEXT NOT NULL,
    create_us   INTEGER NOT NULL,
    PRIMARY KEY (practice_id, case_id, key, step),
    FOREIGN KEY (practice_id, case_id) REFERENCES care (practice_id, case_id)
) STRICT;

CREATE INDEX messages_due_practice ON messages (practice_id, not_before_us, id) WHERE state = 'waiting';
CREATE INDEX messages_worker ON messages (practice_id, worker) WHERE state IN ('claimed', 'sending');
-- What asks for a new plan: only what is past its latest day says how the plan changes.
CREATE INDEX follow_ups_replan ON follow_ups (practice_id, case_id, key) WHERE kind = 'return-visit' AND replan <> '';
