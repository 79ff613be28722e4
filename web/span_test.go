package web

import (
	"net/url"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"
)

func TestSpanOfAnAddress(t *testing.T) {
	usual := "2027-05-01T00:00 2027-05-15T00:00"
	tests := []struct {
		name, from, to string
		want           string // on the yard's clock
		note           string // part of what is said about it
	}{
		{"nothing asked is the usual fortnight", "", "", usual, ""},
		{"both days are included", "2027-05-03", "2027-05-04", "2027-05-03T00:00 2027-05-05T00:00", ""},
		{"one day is a day", "2027-05-03", "2027-05-03", "2027-05-03T00:00 2027-05-04T00:00", ""},
		{"minutes are the yard's", "2027-05-03T10:20", "2027-05-03T12:40", "2027-05-03T10:20 2027-05-03T12:40", ""},
		{"days the wrong way round are swapped", "2027-05-09", "2027-05-03", "2027-05-03T00:00 2027-05-10T00:00", "swapped"},
		{"minutes the wrong way round are swapped", "2027-05-09T10:00", "2027-05-09T08:00", "2027-05-09T08:00 2027-05-09T10:00", "swapped"},
		{"nonsense is told", "monday", "2027-05-03", usual, `"monday", is not a date`},
		{"a day that does not exist is told", "2027-02-30", "", usual, "is not a date"},
		{"a script stays text", "<script>", "", usual, `"<script>"`},
		{"the year 9999 ends today", "2027-05-03", "9999-12-31", "2027-05-03T00:00 2027-05-15T00:00", "not come yet"},
		{"all of it in the future", "9998-01-01", "9999-12-31", usual, "not come yet"},
		{"the year 1 begins when yards could be known", "0001-01-01", "2027-05-03", "1999-12-31T16:00 2027-05-04T00:00", "before 2000"},
		{"an instant is widened until there is something to see", "2027-05-03T10:20", "2027-05-03T10:20", "2027-05-03T10:20 2027-05-03T10:30", ""},
		// Clocks go forward at 02:00 on 14 March 2027 in British Columbia.
		{"the day of 23 hours", "2027-03-14", "2027-03-14", "2027-03-14T00:00 2027-03-15T00:00", ""},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s := parseSpan(url.Values{"from": {tt.from}, "to": {tt.to}}, lastDays(14, testNow, pacific), testNow)
			require.Equal(t, tt.want, s.From.In(pacific).Format(minuteLayout)+" "+s.To.In(pacific).Format(minuteLayout))
			notes := strings.Join(s.Notes, " ")
			if tt.note == "" {
				require.Empty(t, notes)
			}
			require.Contains(t, notes, tt.note)
		})
	}
}

func TestSpanMovesByItsOwnLength(t *testing.T) {
	march := span{From: time.Date(2027, 3, 8, 0, 0, 0, 0, pacific), To: time.Date(2027, 3, 15, 0, 0, 0, 0, pacific), zone: pacific}
	require.Equal(t, url.Values{"from": {"2027-03-15"}, "to": {"2027-03-21"}}, march.moved(1).query(), "whole days stay whole over a change of the clocks")
	hours := span{From: local(3, 10, 0), To: local(3, 12, 0), zone: pacific}
	require.Equal(t, url.Values{"from": {"2027-05-03T08:00"}, "to": {"2027-05-03T10:00"}}, hours.moved(-1).query())
}
