-- +goose Up

-- Which nodes our own broker lets in. Of their secrets there are hashes only.
CREATE TABLE nodes (
    user     TEXT    PRIMARY KEY,
    secret   TEXT    NOT NULL, -- hash, with how it was made
    added_ns INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

-- What each may write.
CREATE TABLE grounds (
    user TEXT NOT NULL REFERENCES nodes (user) ON DELETE CASCADE,
    yard TEXT NOT NULL,
    hive TEXT NOT NULL, -- empty: every hive of the yard, and its weather
    PRIMARY KEY (user, yard, hive)
) STRICT, WITHOUT ROWID;

-- One row: how often nodes were changed, so that a daemon sees in one look
-- whether what it knows still holds.
CREATE TABLE nodes_changed (
    times INTEGER NOT NULL
) STRICT;
INSERT INTO nodes_changed VALUES (0);
