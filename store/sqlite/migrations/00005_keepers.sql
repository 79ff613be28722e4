-- +goose Up

-- Who may sign in. Of passwords, sessions and tokens there are hashes only:
-- whoever reads this file, or a backup of it, cannot sign in with what he finds.
CREATE TABLE keepers (
    name     TEXT    PRIMARY KEY,
    role     TEXT    NOT NULL,
    password TEXT    NOT NULL, -- hash with its parameters, as the program writes it
    added_ns INTEGER NOT NULL,
    seen_ns  INTEGER            -- NULL: has never been signed in
) STRICT, WITHOUT ROWID;

-- Browsers that are signed in.
CREATE TABLE sessions (
    hash    BLOB    PRIMARY KEY, -- SHA-256 of what the browser holds
    keeper  TEXT    NOT NULL REFERENCES keepers (name) ON DELETE CASCADE,
    made_ns INTEGER NOT NULL,
    seen_ns INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
CREATE INDEX sessions_of_keeper ON sessions (keeper, made_ns);

-- What programs prove by that they may ask.
CREATE TABLE tokens (
    id         TEXT    PRIMARY KEY, -- to name it by
    hash       BLOB    NOT NULL UNIQUE, -- SHA-256 of the token
    keeper     TEXT    NOT NULL REFERENCES keepers (name) ON DELETE CASCADE,
    label      TEXT    NOT NULL,
    scope      TEXT    NOT NULL,
    made_ns    INTEGER NOT NULL,
    used_ns    INTEGER, -- NULL: never
    expires_ns INTEGER  -- NULL: never
) STRICT, WITHOUT ROWID;
CREATE INDEX tokens_of_keeper ON tokens (keeper, made_ns);

-- Who wrote an entry, or answered an alert; empty where that is not known:
-- from before there were accounts, on the daemon's own machine, or by a link
-- out of a message.
ALTER TABLE journal ADD COLUMN by_keeper TEXT NOT NULL DEFAULT '';
ALTER TABLE alerts ADD COLUMN by_keeper TEXT NOT NULL DEFAULT '';
ALTER TABLE transitions ADD COLUMN by_keeper TEXT NOT NULL DEFAULT '';
