package alerts

import (
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard/configs"
)

func TestQuietHours(t *testing.T) {
	zone, err := time.LoadLocation("America/Vancouver")
	require.NoError(t, err)
	// Clocks there went from 02:00 PST to 03:00 PDT on 14 March 2027 and from
	// 02:00 PDT to 01:00 PST on 7 November 2027 (IANA tz database, Canada rules).
	for _, tc := range []struct{ name, quiet, at, want string }{
		{"by day nothing waits", "21:30-06:30", "2027-05-12T14:00:00-07:00", "2027-05-12T14:00:00-07:00"},
		{"just before they begin", "21:30-06:30", "2027-05-12T21:29:59-07:00", "2027-05-12T21:29:59-07:00"},
		{"from the first minute until morning", "21:30-06:30", "2027-05-12T21:30:00-07:00", "2027-05-13T06:30:00-07:00"},
		{"after midnight until the same morning", "21:30-06:30", "2027-05-13T00:10:40-07:00", "2027-05-13T06:30:00-07:00"},
		{"the end itself is not quiet", "21:30-06:30", "2027-05-13T06:30:00-07:00", "2027-05-13T06:30:00-07:00"},
		{"hours within one day", "12:00-14:00", "2027-05-13T13:00:00-07:00", "2027-05-13T14:00:00-07:00"},
		{"the short night in spring ends at the same time of day", "21:30-06:30", "2027-03-13T23:00:00-08:00", "2027-03-14T06:30:00-07:00"},
		{"the long night in autumn too", "21:30-06:30", "2027-11-06T23:00:00-07:00", "2027-11-07T06:30:00-08:00"},
		{"an end within the hour that is skipped comes with the next that exists", "21:30-02:30", "2027-03-14T01:59:00-08:00", "2027-03-14T03:00:00-07:00"},
		{"an end within the hour that comes twice is its first", "21:30-01:30", "2027-11-07T01:10:00-07:00", "2027-11-07T01:30:00-07:00"},
		{"and in the second such hour its second", "21:30-01:30", "2027-11-07T01:10:00-08:00", "2027-11-07T01:30:00-08:00"},
		{"no quiet hours hold nothing", "", "2027-05-13T03:00:00-07:00", "2027-05-13T03:00:00-07:00"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			var q Quiet
			if tc.quiet != "" {
				hours, err := configs.ParseQuiet(tc.quiet)
				require.NoError(t, err)
				q = hours
			}
			when, err := time.Parse(time.RFC3339, tc.at)
			require.NoError(t, err)
			require.Equal(t, tc.want, afterQuiet(q, when, zone).In(zone).Format(time.RFC3339))
		})
	}
}
