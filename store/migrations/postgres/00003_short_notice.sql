-- +goose Up
-- Patients who would take a freed place. What suits them is sealed.
CREATE TABLE short_notice (
    practice_id TEXT COLLATE "C" NOT NULL REFERENCES practices,
    id          TEXT COLLATE "C" NOT NULL,
    patient_id  TEXT COLLATE "C" NOT NULL,
    sealed      BYTEA NOT NULL,
    row_version BIGINT NOT NULL,
    create_us   BIGINT NOT NULL,
    PRIMARY KEY (practice_id, id),
    FOREIGN KEY (practice_id, patient_id) REFERENCES patients (practice_id, id)
);
ALTER TABLE short_notice ENABLE ROW LEVEL SECURITY;
ALTER TABLE short_notice FORCE ROW LEVEL SECURITY;
CREATE POLICY one_practice ON short_notice USING (practice_id = current_setting('visitwright.practice', true) OR current_setting('visitwright.practice', true) = '*');
