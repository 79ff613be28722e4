-- +goose Up

-- What the air does to a hive's wall, by the day. Not known of the days before.
ALTER TABLE days ADD COLUMN wall_wet_hours  REAL;
ALTER TABLE days ADD COLUMN dew_hours       REAL;
ALTER TABLE days ADD COLUMN dew_margin_k    REAL;
ALTER TABLE days ADD COLUMN days_to_mould   REAL;
ALTER TABLE days ADD COLUMN days_to_visible REAL;
