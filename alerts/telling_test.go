package alerts

import (
	"cmp"
	"context"
	"fmt"
	"log/slog"
	"maps"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/stretchr/testify/require"

	"outyard"
	"outyard/analysis"
	"outyard/analysis/instruments"
	"outyard/simulator"
	"outyard/store"
	"outyard/timekeeping"
)

// A shelf is a store in memory: a season goes through it in seconds.
type shelf struct {
	Store    // what a season in order does not ask for
	findings map[string]outyard.Finding
	messages map[string]outyard.Message
}

func (s *shelf) Tell(_ context.Context, n store.News) error {
	for _, f := range n.Findings {
		s.findings[f.ID] = f
	}
	for _, m := range n.Messages {
		if _, known := s.messages[m.Key]; !known {
			s.messages[m.Key] = m
		}
	}
	return nil
}

func (s *shelf) Due(_ context.Context, now time.Time, _ int) ([]outyard.Message, error) {
	var out []outyard.Message
	for _, m := range s.messages {
		if m.Sent.IsZero() && !m.Due.After(now) && !m.NotAfter.Before(now) {
			out = append(out, m)
		}
	}
	slices.SortFunc(out, func(a, b outyard.Message) int { return cmp.Or(a.Due.Compare(b.Due), cmp.Compare(a.Key, b.Key)) })
	return out, nil
}

func (s *shelf) change(key string, f func(*outyard.Message)) error {
	m, ok := s.messages[key]
	if !ok {
		return store.ErrNotFound
	}
	f(&m)
	s.messages[key] = m
	return nil
}

func (s *shelf) Delivered(_ context.Context, key string, at time.Time) error {
	return s.change(key, func(m *outyard.Message) { m.Sent = at })
}

func (s *shelf) Postpone(_ context.Context, key string, due time.Time, why string) error {
	return s.change(key, func(m *outyard.Message) { m.Due, m.LastErr, m.Attempts = due, why, m.Attempts+1 })
}

func (s *shelf) HoldBack(_ context.Context, key string, due time.Time, why string) error {
	return s.change(key, func(m *outyard.Message) { m.Due, m.LastErr = due, why })
}

func (s *shelf) Undelivered(context.Context, time.Time) ([]outyard.Message, error) { return nil, nil }

func (s *shelf) Finding(_ context.Context, id string) (outyard.Finding, bool, error) {
	f, ok := s.findings[id]
	return f, ok, nil
}

// A told message is what a keeper got, and when.
type told struct {
	at      time.Time
	subject string
	text    string
}

type notebook struct {
	now  *time.Time
	told []told
}

func (n *notebook) Deliver(_ context.Context, m outyard.Message, _ string) error {
	n.told = append(n.told, told{*n.now, m.Subject, m.Text})
	return nil
}

// tellSeason plays a season through analyses, alerts and outbox, by the
// season's own clock, and returns what one keeper of all its yards is told.
func tellSeason(t *testing.T, season simulator.Scenario) []told {
	t.Helper()
	ctx := t.Context()
	var now time.Time
	clock := func() time.Time { return now }
	db := &shelf{findings: map[string]outyard.Finding{}, messages: map[string]outyard.Message{}}
	routes := []Route{{Name: "me", To: []string{"test:"}, Yards: []string{"*"}, From: outyard.Soon, PerHour: 6}}
	log := slog.New(slog.DiscardHandler)
	w := NewWatcher(db, nil, Options{Routes: routes}, clock, log, prometheus.NewRegistry())
	keeper := &notebook{now: &now}
	places := map[outyard.YardID]outyard.Yard{}
	box := NewOutbox(db, OutboxOptions{Routes: routes, Told: w.Told, Answered: w.Answered, Channels: map[string]Channel{"test": keeper},
		Yard: func(id outyard.YardID) (outyard.Yard, bool) { y, ok := places[id]; return y, ok }}, clock, log, prometheus.NewRegistry())

	type follower struct {
		*yard
		all   []outyard.Reading
		dirty bool      // something late is in all
		again time.Time // when it may be folded anew
	}
	yards := map[outyard.YardID]*follower{}
	for _, place := range season.Yards() {
		places[place.ID] = place
		yards[place.ID] = &follower{yard: &yard{place: place, course: analysis.NewCourse(place, nil, analysis.DefaultSettings()),
			clocks: instruments.NewClocks(place, timekeeping.DefaultSettings(), nil),
			ledger: NewLedger(nil), alerts: map[string]outyard.Alert{}, unsaved: newUnsaved()}}
	}
	deliver := func(until time.Time) {
		for {
			next := until
			for _, m := range db.messages {
				if m.Sent.IsZero() && m.Due.Before(next) && !m.NotAfter.Before(m.Due) {
					next = m.Due
				}
			}
			now = next
			require.NoError(t, box.Deliver(ctx))
			if next.Equal(until) {
				return
			}
		}
	}
	keep := func(y *follower) error {
		w.reconcile(y.yard, y.place, now)
		n := store.News{Findings: byID(y.unsaved.findings), Messages: y.unsaved.messages}
		y.unsaved = newUnsaved()
		return db.Tell(ctx, n)
	}
	var looked time.Time
	const often = 10 * time.Minute
	_, err := season.Send(func(s simulator.Sent) error {
		if looked.IsZero() {
			looked = s.Arrival
		}
		for ; s.Arrival.Sub(looked) >= often; looked = looked.Add(often) { // silence, too, is something to notice
			deliver(looked)
			for _, y := range yards {
				y.course.Advance(now)
				w.passTime(y.yard, y.place, now)
				if err := keep(y); err != nil {
					return err
				}
			}
		}
		now = s.Arrival
		y := yards[s.Reading.Yard]
		y.all = append(y.all, s.Reading)
		if y.course.Observe(s.Reading) != nil {
			y.dirty = true
		}
		if y.dirty && now.After(y.again) {
			slices.SortStableFunc(y.all, func(a, b outyard.Reading) int { return a.Time.Compare(b.Time) })
			y.course = analysis.NewCourse(y.place, nil, analysis.DefaultSettings())
			for _, r := range y.all {
				if err := y.course.Observe(r); err != nil {
					return err
				}
			}
			y.revision, y.dirty, y.again = ^y.course.Revision(), false, now.Add(rebuildWait)
		}
		return keep(y)
	})
	require.NoError(t, err)
	deliver(now.Add(day))
	return keeper.told
}

// TestACalmSeasonIsQuiet counts what a keeper of thirty hives is told in a
// season in which nothing goes wrong: work, weather and flows alone.
func TestACalmSeasonIsQuiet(t *testing.T) {
	const weeks = 17
	season := simulator.Invent(501, simulator.Options{Start: time.Date(2026, time.April, 15, 12, 0, 0, 0, time.UTC), Days: 7 * weeks,
		Yards: 5, HivesPerYard: 6, Cadence: time.Hour, Calm: true})
	got := tellSeason(t, season)
	byWeek, byWords := map[int]int{}, map[string]int{}
	from, _ := season.Span()
	for _, m := range got {
		byWeek[int(m.at.Sub(from)/(7*day))]++
		_, words, _ := strings.Cut(m.subject, ": ")
		byWords[words]++
	}
	most := slices.Max(append(slices.Collect(maps.Values(byWeek)), 0))
	t.Logf("a calm season of %d weeks, 30 hives: %d messages, %.1f a week, %d in the fullest", weeks, len(got), float64(len(got))/weeks, most)
	for _, words := range slices.Sorted(maps.Keys(byWords)) {
		t.Logf("%4d  %s", byWords[words], words)
	}
	require.Less(t, float64(len(got))/weeks, 3.0)
}

// TestAGatewayThatIsOutIsOneMessage: twelve hives fall silent with it.
func TestAGatewayThatIsOutIsOneMessage(t *testing.T) {
	out, back := time.Date(2026, time.March, 10, 3, 0, 0, 0, time.UTC), time.Date(2026, time.March, 12, 9, 0, 0, 0, time.UTC)
	season := simulator.Invent(502, simulator.Options{Start: time.Date(2026, time.March, 3, 12, 0, 0, 0, time.UTC), Days: 14, Yards: 1, HivesPerYard: 12,
		Cadence: 20 * time.Minute, Calm: true, NoKeeper: true,
		Script: []simulator.Event{{Kind: outyard.Silent, What: simulator.Backlog, Yard: simulator.YardID(1), Time: out, End: back}}})
	var during, after []string
	for _, m := range tellSeason(t, season) {
		if !strings.Contains(m.subject, "silent") {
			continue
		}
		if line := fmt.Sprintf("%s %s", m.at.Format(time.RFC3339), m.subject); m.at.Before(back) {
			during = append(during, line)
		} else {
			after = append(after, line)
		}
	}
	require.Len(t, during, 1, "one cause, one message")
	require.LessOrEqual(t, len(after), 1, "and that it is over: %q", after)
}
