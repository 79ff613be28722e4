-- +goose Up

-- A copy that a broker had kept for whoever subscribes: it comes again at each
-- connect, and its arrival says nothing about its age.
ALTER TABLE refused ADD COLUMN retained INTEGER NOT NULL DEFAULT 0;
CREATE INDEX refused_retained ON refused (topic) WHERE retained;

-- One row: readings from before this are dropped, by the wish of the keeper.
-- NULL while none ever were.
CREATE TABLE readings_dropped (
    before_s INTEGER -- seconds since 1970
) STRICT;
INSERT INTO readings_dropped VALUES (NULL);
