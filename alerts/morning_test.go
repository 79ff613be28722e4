package alerts_test

import (
	"context"
	"log/slog"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/alerts"
	"outyard/store"
	"outyard/store/sqlite"
)

// rounds are the messages of the round that wait or were sent, by subject.
func rounds(t *testing.T, db *sqlite.Store) []outyard.Message {
	ms, err := db.Undelivered(t.Context(), time.Now().Add(time.Hour))
	require.NoError(t, err)
	return ms
}

func TestTheRoundComesInTheMorning(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		zone, err := time.LoadLocation("America/Vancouver")
		require.NoError(t, err)
		<-time.After(time.Until(time.Date(2027, 3, 12, 20, 0, 0, 0, zone)))
		db, err := sqlite.Open(t.Context(), t.TempDir())
		require.NoError(t, err)
		defer func() { require.NoError(t, db.Close()) }()
		hour := 6*time.Hour + 30*time.Minute
		yard := alderSlip
		yard.Zone = zone
		elsewhere := outyard.Yard{ID: "tern-rock", Zone: time.UTC}
		opts := alerts.MorningOptions{
			Routes: []alerts.Route{{Name: "me", To: []string{"log:"}, Yards: []string{"alder-slip"}, Round: &hour, Units: outyard.Units{Pounds: true}},
				{Name: "you", To: []string{"log:"}, Yards: []string{"alder-slip"}, Round: &hour, RoundAlways: true}, {Name: "nobody", To: []string{"log:"}, Yards: []string{"*"}}},
			Yards: func() []outyard.Yard { return []outyard.Yard{elsewhere, yard} },
		}
		run := func() (stop func()) {
			ctx, cancel := context.WithCancel(t.Context())
			ended := make(chan error, 1)
			m := alerts.NewMorning(db, opts, time.Now, slog.New(slog.DiscardHandler))
			go func() { ended <- m.Run(ctx) }()
			synctest.Wait()
			return func() {
				cancel()
				require.NoError(t, <-ended)
			}
		}
		stop := run()
		wait(time.Until(time.Date(2027, 3, 13, 6, 29, 0, 0, zone)))
		require.Empty(t, rounds(t, db))
		wait(2 * time.Minute)
		got := rounds(t, db)
		require.Len(t, got, 1, "a day with nothing to do is told to who wants to hear so")
		require.Equal(t, "you|0|round|2027-03-13", got[0].Key)
		require.Equal(t, "Round: Nothing needs you today", got[0].Subject)

		f := known("damp-1", outyard.Damp, "h01", outyard.Soon)
		f.Summary = "4 kg of water."
		other := known("swarm-1", outyard.Swarm, "h01", outyard.Now)
		other.Yard = "tern-rock"
		require.NoError(t, db.Tell(t.Context(), store.News{Findings: []outyard.Finding{f, other}}))
		wait(time.Hour)
		stop()
		stop = run()
		require.Len(t, rounds(t, db), 1, "the morning is over: not even a restart brings it back")

		// The clocks go forward in the night to the 14th.
		wait(time.Until(time.Date(2027, 3, 14, 6, 31, 0, 0, zone)))
		got = rounds(t, db)
		require.Len(t, got, 3)
		mine := got[1]
		if mine.Route != "me" {
			mine = got[2]
		}
		require.Equal(t, "Round: Alder Slip is worth a visit on the next round", mine.Subject, "of the yards of the entry alone")
		require.Contains(t, mine.Text, "By the gate: going damp. 9 lb of water.")
		require.Contains(t, mine.Text, "Carry:\n- dust mask")
		require.Contains(t, mine.HTML, "<li>dry lid</li>")
		require.Contains(t, mine.HTML, "9 lb of water.")
		require.WithinDuration(t, time.Date(2027, 3, 14, 18, 30, 0, 0, zone), mine.NotAfter, time.Minute)
		stop()

		// A daemon that was not running at half past six is late, not silent.
		wait(time.Until(time.Date(2027, 3, 15, 9, 0, 0, 0, zone)))
		stop = run()
		require.Len(t, rounds(t, db), 5)
		stop()
		wait(time.Until(time.Date(2027, 3, 16, 15, 0, 0, 0, zone)))
		stop = run()
		require.Len(t, rounds(t, db), 5, "in the afternoon nobody sets out")
		stop()
	})
}

func TestTheRoundIsAMessageOfItsOwn(t *testing.T) {
	p := newPostOffice(t)
	p.routes[0].PerHour = 1
	p.queue("me", "raised", noon, known("damp-1", outyard.Damp, "h01", outyard.Soon))
	for _, day := range []string{"2027-05-11", "2027-05-12"} {
		require.NoError(t, p.db.Tell(t.Context(), store.News{Messages: []outyard.Message{{Key: "me|0|round|" + day, Route: "me", Subject: "Round: " + day, Text: day, Queued: noon, Due: noon}}}))
	}
	var subjects []string
	for _, m := range p.deliver() {
		subjects = append(subjects, m.Subject)
	}
	require.ElementsMatch(t, []string{"Round: 2027-05-11", "Round: 2027-05-12"}, subjects[:2])
	require.NotContains(t, strings.Join(p.told, " "), "round")
}
