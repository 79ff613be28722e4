package simulator

import (
	"bytes"
	"errors"
	"fmt"
	"hash/fnv"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
)

// played is a season in memory.
type played struct {
	readings []outyard.Reading
	labels   []Label
}

func play(t *testing.T, s Scenario) played {
	t.Helper()
	var p played
	labels, err := s.Run(func(r outyard.Reading) error { p.readings = append(p.readings, r); return nil })
	require.NoError(t, err)
	p.labels = labels
	return p
}

func digest(t *testing.T, s Scenario) string {
	t.Helper()
	h := fnv.New128a()
	labels, err := s.Record(func(r Sent) error {
		fmt.Fprintln(h, r.Reading.Yard, r.Reading.Hive, r.Reading.Time.Unix(), r.Arrival.Unix(), r.Reading.Values)
		return nil
	})
	require.NoError(t, err)
	require.NoError(t, WriteLabels(h, labels))
	return fmt.Sprintf("%x", h.Sum(nil))
}

func TestTheSameSeedGivesTheSameBytes(t *testing.T) {
	opt := Options{Days: 60, Start: time.Date(2026, 5, 1, 0, 0, 0, 0, time.UTC), HivesPerYard: 3}
	once := Invent(11, opt)
	first := digest(t, once)
	require.Equal(t, first, digest(t, once), "played again")
	require.Equal(t, first, digest(t, Invent(11, opt)), "invented again")
	require.NotEqual(t, first, digest(t, Invent(12, opt)), "another seed")
}

func TestReadingsComeInOrderOfTimeAndAreFitToKeep(t *testing.T) {
	for _, cadence := range []time.Duration{time.Minute, 7 * time.Minute, 10 * time.Minute, time.Hour} {
		t.Run(cadence.String(), func(t *testing.T) {
			s := Invent(3, Options{Days: 12, Cadence: cadence})
			from, to := s.Span()
			var last time.Time
			n := 0
			_, err := s.Run(func(r outyard.Reading) error {
				require.False(t, r.Time.Before(last), "%s after %s", r.Time, last)
				require.False(t, r.Time.Before(from) || !r.Time.Before(to), "%s is outside the season", r.Time)
				require.NoError(t, r.Check(r.Time))
				last = r.Time
				n++
				return nil
			})
			require.NoError(t, err)
			full := 14 * int(12*24*time.Hour/cadence)
			require.InDelta(t, full, n, 0.1*float64(full))
		})
	}
}

func TestTheCallerEndsThePlayAndStillHasTheTruth(t *testing.T) {
	stop := errors.New("enough")
	n := 0
	labels, err := Invent(1, Options{Days: 30}).Run(func(outyard.Reading) error {
		if n++; n > 20000 {
			return stop
		}
		return nil
	})
	require.ErrorIs(t, err, stop)
	require.NotEmpty(t, labels)
}

func TestLabelsReadBackAsWritten(t *testing.T) {
	labels, err := Invent(5, Options{Days: 40, Start: time.Date(2026, 6, 1, 0, 0, 0, 0, time.UTC)}).Run(func(outyard.Reading) error { return nil })
	require.NoError(t, err)
	require.NotEmpty(t, labels)
	var buf bytes.Buffer
	require.NoError(t, WriteLabels(&buf, labels))
	again, err := ReadLabels(&buf)
	require.NoError(t, err)
	require.Equal(t, labels, again)
}
