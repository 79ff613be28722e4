-- +goose Up

-- For a daemon that hands its readings on to another server: those that it has
-- still to hand on, and which quantities of which reading it ever took, so that
-- one that comes again is known without asking the server. DESIGN.md says why.

-- As stretches, but of readings that are, or were, in the queue.
CREATE TABLE queue_stretches (
    id     INTEGER PRIMARY KEY,
    yard   TEXT    NOT NULL,
    hive   TEXT    NOT NULL,
    period INTEGER NOT NULL,
    UNIQUE (yard, hive, period)
) STRICT;

-- key = stretch * 2^24 + seconds into the period.
CREATE TABLE queue_taken (
    key        INTEGER PRIMARY KEY,
    quantities INTEGER NOT NULL -- a bit each, in the order of the readings file
) STRICT;

-- Taken from the end with the lowest id. A reading whose quantities came at
-- different times has several rows, none with a quantity of another.
CREATE TABLE queue (
    id               INTEGER PRIMARY KEY,
    key              INTEGER NOT NULL,
    taken_s          INTEGER NOT NULL, -- seconds since 1970
    weight_50kg_g    INTEGER,
    inside_temp_cc   INTEGER,
    inside_rh_cpct   INTEGER,
    battery_mv       INTEGER,
    signal_ddbm      INTEGER,
    outside_temp_cc  INTEGER,
    outside_rh_cpct  INTEGER,
    rain_cmm         INTEGER,
    wind_cms         INTEGER
) STRICT;
CREATE INDEX queue_by_key ON queue (key);
