-- +goose Up

-- The most pressing that an alert was told as: whoever heard of it hears its
-- end, however little pressing it became before.
ALTER TABLE alerts ADD COLUMN told_as TEXT NOT NULL DEFAULT '';
UPDATE alerts SET told_as = coalesce((SELECT json_extract(finding, '$.severity') FROM findings WHERE id = alerts.finding), '');
