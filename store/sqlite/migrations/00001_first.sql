-- +goose Up

-- A stretch is 2^24 s (194 days) of one hive, or of a yard's weather (hive
-- empty): those of its readings whose time, in seconds since 1970, divided by
-- 2^24 gives the period. With that, a reading's key needs 24 bits for the time.
CREATE TABLE stretches (
    id     INTEGER PRIMARY KEY,
    yard   TEXT    NOT NULL,
    hive   TEXT    NOT NULL,
    period INTEGER NOT NULL,
    UNIQUE (yard, hive, period)
) STRICT;

-- key = stretch * 2^24 + seconds into the period. A quantity that was not
-- measured is NULL. DESIGN.md says why the key is one number, why weight is
-- counted from 50 kg, and why the weather is a table of its own.
CREATE TABLE readings (
    key              INTEGER PRIMARY KEY,
    weight_50kg_g    INTEGER, -- grams above 50 kg
    inside_temp_cc   INTEGER, -- hundredths of a degree Celsius
    inside_rh_cpct   INTEGER, -- hundredths of a percent
    battery_mv       INTEGER, -- millivolts
    signal_ddbm      INTEGER  -- tenths of a dBm
) STRICT;

CREATE TABLE outside (
    key              INTEGER PRIMARY KEY,
    outside_temp_cc  INTEGER, -- hundredths of a degree Celsius
    outside_rh_cpct  INTEGER, -- hundredths of a percent
    rain_cmm         INTEGER, -- hundredths of a millimetre
    wind_cms         INTEGER  -- centimetres a second
) STRICT;

-- For those who open the file with a tool of their own.
CREATE VIEW readings_in_units AS
SELECT datetime(s.period * 16777216 + (r.key & 16777215), 'unixepoch') AS time, s.yard, s.hive,
       (r.weight_50kg_g + 50000) / 1000.0 AS weight_kg,
       r.inside_temp_cc / 100.0 AS inside_temp_c,
       r.inside_rh_cpct / 100.0 AS inside_rh_pct,
       r.battery_mv / 1000.0 AS battery_v,
       r.signal_ddbm / 10.0 AS signal_dbm
FROM readings r JOIN stretches s ON s.id = r.key >> 24;

CREATE VIEW outside_in_units AS
SELECT datetime(s.period * 16777216 + (o.key & 16777215), 'unixepoch') AS time, s.yard, s.hive,
       o.outside_temp_cc / 100.0 AS outside_temp_c,
       o.outside_rh_cpct / 100.0 AS outside_rh_pct,
       o.rain_cmm / 100.0 AS rain_mm,
       o.wind_cms / 100.0 AS wind_ms
FROM outside o JOIN stretches s ON s.id = o.key >> 24;

-- Instants below are nanoseconds since 1970, UTC; NULL where there is none.

CREATE TABLE findings (
    id       TEXT    PRIMARY KEY,
    onset_ns INTEGER NOT NULL,
    yard     TEXT    NOT NULL,
    hive     TEXT    NOT NULL,
    kind     TEXT    NOT NULL,
    state    TEXT    NOT NULL,
    finding  TEXT    NOT NULL -- JSON, as the API shows it
) STRICT, WITHOUT ROWID;
CREATE INDEX findings_newest ON findings (onset_ns DESC, id);
CREATE INDEX findings_of_hive ON findings (yard, hive, onset_ns DESC, id);
CREATE INDEX findings_in_state ON findings (state, onset_ns DESC, id);

CREATE TABLE days (
    date          TEXT NOT NULL, -- YYYY-MM-DD, where the yard is
    yard          TEXT NOT NULL,
    hive          TEXT NOT NULL,
    gain_kg       REAL,
    handled_kg    REAL,
    night_loss_kg REAL,
    stores_kg     REAL,
    mould_index   REAL,
    wall_rh_pct   REAL,
    brood_temp_c  REAL,
    coverage      REAL,
    PRIMARY KEY (yard, hive, date)
) STRICT, WITHOUT ROWID;
CREATE INDEX days_by_date ON days (date, yard, hive);

CREATE TABLE alerts (
    finding     TEXT    PRIMARY KEY,
    state       TEXT    NOT NULL,
    since_ns    INTEGER,
    until_ns    INTEGER,
    reminded_ns INTEGER
) STRICT, WITHOUT ROWID;

-- What was sent stays, without its looks: its key keeps it from being told
-- again.
CREATE TABLE messages (
    key          TEXT    PRIMARY KEY,
    route        TEXT    NOT NULL,
    target       INTEGER NOT NULL,
    findings     TEXT    NOT NULL, -- JSON list of ids
    subject      TEXT    NOT NULL,
    text         TEXT    NOT NULL,
    html         TEXT    NOT NULL,
    queued_ns    INTEGER,
    not_after_ns INTEGER,
    due_ns       INTEGER,
    attempts     INTEGER NOT NULL,
    last_err     TEXT    NOT NULL,
    sent_ns      INTEGER
) STRICT;
CREATE INDEX messages_waiting ON messages (due_ns, queued_ns, key) WHERE sent_ns IS NULL;

-- An entry that is edited gets a further version; the one that was there stays
-- and says when it was replaced.
CREATE TABLE journal (
    id          TEXT    NOT NULL,
    version     INTEGER NOT NULL,
    replaced_ns INTEGER, -- NULL for the version that holds
    time_ns     INTEGER NOT NULL,
    yard        TEXT    NOT NULL,
    hive        TEXT    NOT NULL,
    kind        TEXT    NOT NULL,
    kg          REAL,
    part        TEXT    NOT NULL,
    note        TEXT    NOT NULL,
    PRIMARY KEY (id, version)
) STRICT, WITHOUT ROWID;
CREATE INDEX journal_by_time ON journal (time_ns, id) WHERE replaced_ns IS NULL;
CREATE INDEX journal_of_yard ON journal (yard, time_ns, id) WHERE replaced_ns IS NULL;

CREATE TABLE refused (
    id         INTEGER PRIMARY KEY AUTOINCREMENT, -- an id is never given twice
    topic      TEXT    NOT NULL,
    payload    BLOB    NOT NULL,
    arrived_ns INTEGER,
    reason     TEXT    NOT NULL,
    unplaced   INTEGER NOT NULL,
    yard       TEXT    NOT NULL,
    hive       TEXT    NOT NULL
) STRICT;

-- One row: what the refused take up, and how many were dropped to stay in
-- bounds.
CREATE TABLE refused_keep (
    refused  INTEGER NOT NULL,
    unplaced INTEGER NOT NULL,
    bytes    INTEGER NOT NULL,
    dropped  INTEGER NOT NULL
) STRICT;
INSERT INTO refused_keep VALUES (0, 0, 0, 0);
