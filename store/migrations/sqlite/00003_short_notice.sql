-- +goose Up
-- Patients who would take a freed place. What suits them is sealed.
CREATE TABLE short_notice (
    practice_id TEXT NOT NULL REFERENCES practices,
    id          TEXT NOT NULL,
    patient_id  TEXT NOT NULL,
    sealed      BLOB NOT NULL,
    row_version INTEGER NOT NULL,
    create_us   INTEGER NOT NULL,
    PRIMARY KEY (practice_id, id),
    FOREIGN KEY (practice_id, patient_id) REFERENCES patients (practice_id, id)
) STRICT, WITHOUT ROWID;
