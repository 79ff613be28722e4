-- +goose Up

-- What was taken over from a daemon that is no more, so that it is not taken
-- again. What the keeper changed since would come back.
CREATE TABLE taken_over (
    source TEXT    NOT NULL, -- a data folder, a backup, or a session at a broker
    yard   TEXT    NOT NULL, -- empty for a session
    at_ns  INTEGER NOT NULL,
    PRIMARY KEY (source, yard)
) STRICT, WITHOUT ROWID;
