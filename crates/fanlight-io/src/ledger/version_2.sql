-- Version 2 of the ledger's schema: what persons measured by hand. Never changed: what comes later is a further file.

-- A sector of a night's coma that a person chose and measured. Nothing but a person's wish takes a row away, and that only marks it: see undone_utc.
CREATE TABLE measurements (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    night_id INTEGER REFERENCES nights (id) ON DELETE SET NULL, -- NULL while its night is forgotten
    night_mid_utc TEXT NOT NULL, -- the night as it was when it was measured
    band TEXT,
    record_sha256 TEXT NOT NULL, -- the record that it was measured on
    person TEXT NOT NULL,
    made_utc TEXT NOT NULL,
    note TEXT,
    pa_deg REAL NOT NULL,
    width_deg REAL NOT NULL,
    inner_arcsec REAL NOT NULL,
    outer_arcsec REAL NOT NULL,
    contrast REAL NOT NULL,
    contrast_err REAL NOT NULL,
    significance REAL,
    probability_alone REAL,
    probability_by_eye REAL,
    program TEXT NOT NULL,
    undone_utc TEXT              -- NULL where it stands
) STRICT;
CREATE INDEX measurements_by_night ON measurements (night_id);

-- The light frames of its night then, by which it finds that night again.
CREATE TABLE measured_frames (
    measurement_id INTEGER NOT NULL REFERENCES measurements (id) ON DELETE CASCADE,
    sha256 TEXT NOT NULL,
    PRIMARY KEY (measurement_id, sha256)
) STRICT, WITHOUT ROWID;
CREATE INDEX measured_frames_by_content ON measured_frames (sha256);
