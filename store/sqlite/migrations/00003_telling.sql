-- +goose Up

-- What became of an alert, step by step, for the page that shows it.
CREATE TABLE transitions (
    id       INTEGER PRIMARY KEY, -- in the order in which they happened
    finding  TEXT    NOT NULL,
    at_ns    INTEGER NOT NULL,
    event    TEXT    NOT NULL,
    state    TEXT    NOT NULL, -- of the alert from then on
    until_ns INTEGER           -- of a snooze
) STRICT;
CREATE INDEX transitions_of_finding ON transitions (finding, id);

-- Links out of messages that somebody has used. One that has expired is
-- refused for that, and need not be remembered.
CREATE TABLE used_links (
    id         TEXT    PRIMARY KEY,
    expires_ns INTEGER NOT NULL,
    used_ns    INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
