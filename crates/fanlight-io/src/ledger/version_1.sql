-- Version 1 of the ledger's schema. Never changed: what comes later is a further file.
-- Text that ends in _utc is ISO 8601 to the millisecond with a trailing Z, so that it sorts by time. NULL is unknown.

-- Whose nights these are. No row until the first night is recorded.
CREATE TABLE meta (
    id INTEGER PRIMARY KEY CHECK (id = 1),
    object TEXT NOT NULL,
    campaign TEXT,
    created_utc TEXT NOT NULL
) STRICT;

-- One row a night. AUTOINCREMENT: the number of a forgotten night is not given to another.
CREATE TABLE nights (
    id INTEGER PRIMARY KEY AUTOINCREMENT,
    mid_utc TEXT NOT NULL,
    first_utc TEXT NOT NULL,
    last_utc TEXT NOT NULL,
    site TEXT,
    longitude_deg REAL NOT NULL,
    latitude_deg REAL NOT NULL,
    telescope TEXT,
    band TEXT,
    r_au REAL NOT NULL,
    delta_au REAL NOT NULL,
    phase_deg REAL NOT NULL,
    sunward_pa_deg REAL NOT NULL,
    side TEXT CHECK (side IN ('pre', 'post')),
    n_frames INTEGER NOT NULL,
    exposure_s REAL NOT NULL,
    analysed INTEGER NOT NULL CHECK (analysed IN (0, 1)),
    simulated INTEGER NOT NULL CHECK (simulated IN (0, 1)),
    out_dir TEXT,                -- relative to the ledger's folder where it lies in it
    record_sha256 TEXT NOT NULL,
    program TEXT NOT NULL,
    recorded_utc TEXT NOT NULL
) STRICT;
CREATE INDEX nights_by_time ON nights (mid_utc);

-- The whole night.json, byte for byte; apart from nights, so that reading those does not read these.
CREATE TABLE records (
    night_id INTEGER PRIMARY KEY REFERENCES nights (id) ON DELETE CASCADE,
    json TEXT NOT NULL
) STRICT;

CREATE TABLE frames (
    night_id INTEGER NOT NULL REFERENCES nights (id) ON DELETE CASCADE,
    position INTEGER NOT NULL,
    file TEXT NOT NULL,
    sha256 TEXT,                 -- NULL where the frame was left out unread
    mid_utc TEXT,
    exposure_s REAL,
    filter TEXT,
    used INTEGER NOT NULL CHECK (used IN (0, 1)),
    rejected_because TEXT,
    PRIMARY KEY (night_id, position)
) STRICT, WITHOUT ROWID;
CREATE INDEX frames_by_content ON frames (sha256);

CREATE TABLE photometry (
    night_id INTEGER NOT NULL REFERENCES nights (id) ON DELETE CASCADE,
    position INTEGER NOT NULL,
    aperture_km REAL NOT NULL,
    aperture_arcsec REAL NOT NULL,
    band TEXT NOT NULL,
    mag REAL,
    mag_err REAL,
    limit_3sigma_mag REAL,
    brighter_than_mag REAL,
    afrho_cm REAL,
    afrho_err_cm REAL,
    a0frho_cm REAL,
    a0frho_err_cm REAL,
    PRIMARY KEY (night_id, position)
) STRICT, WITHOUT ROWID;

CREATE TABLE features (
    night_id INTEGER NOT NULL REFERENCES nights (id) ON DELETE CASCADE,
    position INTEGER NOT NULL,
    kind TEXT NOT NULL,
    pa_deg REAL NOT NULL,
    pa_err_deg REAL NOT NULL,
    width_deg REAL NOT NULL,
    width_err_deg REAL,
    curvature_deg_per_arcsec REAL,
    inner_arcsec REAL NOT NULL,
    outer_arcsec REAL NOT NULL,
    inner_km REAL NOT NULL,
    outer_km REAL NOT NULL,
    contrast REAL NOT NULL,
    contrast_err REAL NOT NULL,
    contrast_intrinsic REAL,
    significance REAL,
    false_alarm_probability REAL NOT NULL,
    verdict TEXT NOT NULL,
    offset_from_sunward_deg REAL NOT NULL,
    PRIMARY KEY (night_id, position)
) STRICT, WITHOUT ROWID;

CREATE TABLE challenges (
    night_id INTEGER NOT NULL,
    feature INTEGER NOT NULL,    -- its position
    position INTEGER NOT NULL,
    name TEXT NOT NULL,
    outcome TEXT NOT NULL,
    statistic REAL,
    threshold REAL,
    PRIMARY KEY (night_id, feature, position),
    FOREIGN KEY (night_id, feature) REFERENCES features (night_id, position) ON DELETE CASCADE
) STRICT, WITHOUT ROWID;

-- Provenance: every file that the night was made from.
CREATE TABLE inputs (
    night_id INTEGER NOT NULL REFERENCES nights (id) ON DELETE CASCADE,
    position INTEGER NOT NULL,
    file TEXT NOT NULL,
    role TEXT NOT NULL,
    sha256 TEXT NOT NULL,
    PRIMARY KEY (night_id, position)
) STRICT, WITHOUT ROWID;

-- What comparing two nights gave; goes when either of them is replaced or forgotten.
CREATE TABLE pair_results (
    from_night INTEGER NOT NULL REFERENCES nights (id) ON DELETE CASCADE,
    to_night INTEGER NOT NULL REFERENCES nights (id) ON DELETE CASCADE,
    from_sha256 TEXT NOT NULL,
    to_sha256 TEXT NOT NULL,
    method_version TEXT NOT NULL,
    json TEXT NOT NULL,
    PRIMARY KEY (from_night, to_night)
) STRICT, WITHOUT ROWID;
CREATE INDEX pair_results_to ON pair_results (to_night);
