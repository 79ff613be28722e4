package alerts_test

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/alerts"
)

func TestLifeOfAnAlert(t *testing.T) {
	const same = outyard.AlertState("")
	tomorrow := at(24 * time.Hour)
	events := []alerts.Event{{Kind: alerts.Raised}, {Kind: alerts.Worse}, {Kind: alerts.Again}, {Kind: alerts.Ended},
		{Kind: alerts.Told}, {Kind: alerts.Acknowledged}, {Kind: alerts.Snoozed, Until: tomorrow}, {Kind: alerts.Woke}}
	open, told, ack, snoozed, over := outyard.AlertOpen, outyard.AlertTold, outyard.AlertAcknowledged, outyard.AlertSnoozed, outyard.AlertOver

	for _, row := range []struct {
		from outyard.AlertState
		to   [8]outyard.AlertState // in the order of events
	}{ //       raised worse again ended told  acked snoozed  woke
		{"", [8]outyard.AlertState{open, same, same, same, same, same, same, same}},
		{open, [8]outyard.AlertState{same, same, same, over, told, ack, snoozed, same}},
		{told, [8]outyard.AlertState{same, open, same, over, same, ack, snoozed, same}},
		{ack, [8]outyard.AlertState{same, open, same, over, same, same, snoozed, same}},
		{snoozed, [8]outyard.AlertState{same, open, same, over, same, ack, snoozed, open}},
		{over, [8]outyard.AlertState{same, same, open, same, same, same, same, same}},
	} {
		for i, e := range events {
			was := outyard.Alert{Finding: "f", State: row.from, Since: noon, Until: at(time.Minute)}
			got, changed := alerts.Next(was, e, at(time.Hour))
			if row.to[i] == same {
				require.False(t, changed, "%s, %s", row.from, e.Kind)
				require.Equal(t, was, got, "%s, %s", row.from, e.Kind)
				continue
			}
			require.True(t, changed, "%s, %s", row.from, e.Kind)
			require.Equal(t, row.to[i], got.State, "%s, %s", row.from, e.Kind)
			require.Equal(t, at(time.Hour), got.Since)
			require.Equal(t, "f", got.Finding)
		}
	}
}

func TestASnoozeLastsUntilItsEnd(t *testing.T) {
	a, _ := alerts.Next(outyard.Alert{Finding: "f", State: outyard.AlertTold}, alerts.Event{Kind: alerts.Snoozed, Until: at(time.Hour)}, noon)
	require.Equal(t, at(time.Hour), a.Until)
	_, changed := alerts.Next(a, alerts.Event{Kind: alerts.Woke}, at(time.Hour-time.Second))
	require.False(t, changed, "still asleep")
	a, changed = alerts.Next(a, alerts.Event{Kind: alerts.Woke}, at(time.Hour))
	require.True(t, changed)
	require.Equal(t, outyard.AlertOpen, a.State)
	require.Equal(t, at(time.Hour), a.Reminded)

	_, changed = alerts.Next(a, alerts.Event{Kind: alerts.Snoozed, Until: at(-time.Hour)}, at(time.Hour))
	require.False(t, changed, "a snooze that ended before it began")
}
